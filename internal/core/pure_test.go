package core_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// pureLibrary is what the core may use of the standard library: packages that compute. [impure] names the functions of them that do
// more than that.
var pureLibrary = []string{
	"bytes", "cmp", "encoding/gob", "errors", "fmt", "iter", "maps", "math", "math/bits", "slices", "strconv", "strings", "time",
	"unicode", "unicode/utf8",
}

// impure are the functions of [pureLibrary] that look at a clock, wait, or read and write files.
var impure = map[string][]string{
	"fmt":  {"Print", "Printf", "Println", "Scan", "Scanf", "Scanln"},
	"time": {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "LoadLocation", "Local"},
}

// TestTheCoreIsPure proves of every package below internal/core that what it does follows from its arguments alone: no clock, timer,
// goroutine, channel, file, socket, process, log or chance, and no package of the program outside the core but the types of sensors.
func TestTheCoreIsPure(t *testing.T) { lookThrough(t, false, impurities) }

// TestTheTestsOfTheCoreStartNoGoroutine: `make race` leaves them out for that.
func TestTheTestsOfTheCoreStartNoGoroutine(t *testing.T) { lookThrough(t, true, goroutines) }

// lookThrough fails the test for what is found in the files below internal/core: in its tests, or in all others.
func lookThrough(t *testing.T, tests bool, look func(t *testing.T, path string, source []byte) []string) {
	files := 0
	require.NoError(t, filepath.WalkDir(".", func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") != tests {
			return err
		}
		source, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		for _, found := range look(t, path, source) {
			t.Error(found)
		}
		return nil
	}))
	assert.Greater(t, files, 50, "the test looks at the core")
}

// goroutines lists what starts a goroutine in a file of tests, with its place.
func goroutines(t *testing.T, path string, source []byte) (found []string) {
	positions := token.NewFileSet()
	file, err := parser.ParseFile(positions, path, source, 0)
	require.NoError(t, err)
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			found = append(found, fmt.Sprintf("%s: starts a goroutine", positions.Position(n.Pos())))
		case *ast.SelectorExpr:
			if slices.Contains([]string{"Parallel", "RunParallel", "Go", "AfterFunc"}, n.Sel.Name) {
				found = append(found, fmt.Sprintf("%s: uses %s", positions.Position(n.Pos()), n.Sel.Name))
			}
		}
		return true
	})
	return found
}

// TestGoroutinesAreFound: the test above is worth what it can find.
func TestGoroutinesAreFound(t *testing.T) {
	for _, body := range []string{`func f() { go f() }`, `func f(t *testing.T) { t.Parallel() }`, `func f(w *sync.WaitGroup) { w.Go(f) }`} {
		assert.Len(t, goroutines(t, "x_test.go", []byte("package x\n"+body)), 1, body)
	}
	assert.Empty(t, goroutines(t, "x_test.go", []byte("package x\nfunc f() { g() }")))
}

// impurities lists what makes a file impure, with its place.
func impurities(t *testing.T, path string, source []byte) []string {
	positions := token.NewFileSet()
	file, err := parser.ParseFile(positions, path, source, 0)
	require.NoError(t, err)
	var found []string
	report := func(at ast.Node, what string) {
		found = append(found, fmt.Sprintf("%s: %s", positions.Position(at.Pos()), what))
	}
	imported := map[string]string{} // package by its name in the file
	for _, spec := range file.Imports {
		name, err := strconv.Unquote(spec.Path.Value)
		require.NoError(t, err)
		switch {
		case spec.Name != nil && (spec.Name.Name == "." || spec.Name.Name == "_"):
			report(spec, "imports "+name+" without a name")
		case name == "dewline/sensors", strings.HasPrefix(name, "dewline/internal/core/"), strings.HasPrefix(name, "golang.org/x/exp/"):
		case !slices.Contains(pureLibrary, name):
			report(spec, "imports "+name)
		case spec.Name != nil:
			imported[spec.Name.Name] = name
		default:
			imported[name] = name
		}
	}
	ast.Inspect(file, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			report(n, "starts a goroutine")
		case *ast.ChanType:
			report(n, "has a channel")
		case *ast.SelectorExpr:
			if of, ok := n.X.(*ast.Ident); ok && slices.Contains(impure[imported[of.Name]], n.Sel.Name) {
				report(n, "uses "+imported[of.Name]+"."+n.Sel.Name)
			}
		}
		return true
	})
	return found
}

// TestImpuritiesAreFound: the proof above is worth what it can find.
func TestImpuritiesAreFound(t *testing.T) {
	for body, want := range map[string]string{
		`import "time"; var t = time.Now()`:                "uses time.Now",
		`import clock "time"; func f() { clock.Sleep(1) }`: "uses time.Sleep",
		`import "time"; func f() { <-time.After(1) }`:      "uses time.After",
		`import "time"; var f = time.NewTicker`:            "uses time.NewTicker",
		`import "fmt"; func f() { fmt.Println() }`:         "uses fmt.Println",
		`func f() { go f() }`:                              "starts a goroutine",
		`var c chan int`:                                   "has a channel",
		`import "os"`:                                      "imports os",
		`import "net"`:                                     "imports net",
		`import "os/exec"`:                                 "imports os/exec",
		`import "log/slog"`:                                "imports log/slog",
		`import "math/rand/v2"`:                            "imports math/rand/v2",
		`import "dewline/internal/store"`:                  "imports dewline/internal/store",
		`import "dewline/sensors/sht4x"`:                   "imports dewline/sensors/sht4x",
		`import . "time"`:                                  "imports time without a name",
		`import "time"; import "dewline/sensors"; var d time.Duration = 2`:      "",
		`import "dewline/internal/core/instant"; var i = instant.None.After(0)`: "",
	} {
		found := impurities(t, "x.go", []byte("package x\n"+body))
		if want == "" {
			assert.Empty(t, found, body)
			continue
		}
		require.Len(t, found, 1, body)
		assert.Contains(t, found[0], want)
	}
}
