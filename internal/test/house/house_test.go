package house

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const root = "../../.."

// sources returns the paths of the project's own source files with one of the ends, relative to the root.
func sources(t *testing.T, ends ...string) (files []string) {
	t.Helper()
	require.NoError(t, fs.WalkDir(os.DirFS(root), ".", func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "node_modules" || d.Name() == "built" || d.Name() == "dist" || path != "." && strings.HasPrefix(d.Name(), ".")):
			return fs.SkipDir
		case !d.IsDir() && slices.Contains(ends, filepath.Ext(path)):
			files = append(files, path)
		}
		return nil
	}))
	require.NotEmpty(t, files)
	return files
}

// Programs return, report and print. Comments that let them tell, and people without a name, read as riddles; the models of this
// tree (log/slog, raft, age) have 0.0 to 0.3 of these words in 1,000. A few are right, such as a quotation.
func TestCommentsUsePlainWords(t *testing.T) {
	const limit = 0.5 // per 1,000 words
	var total Count
	var lines []string
	for _, name := range sources(t, ".go", ".ts", ".mjs") {
		source, err := os.ReadFile(filepath.Join(root, name))
		require.NoError(t, err)
		for _, c := range Comments(name, source) {
			n := CountWords(c.Text)
			total = total.Plus(n)
			if n.Tell+n.People > 0 {
				lines = append(lines, fmt.Sprintf("%s:%d:%s", name, c.Line, c.Text))
			}
		}
	}
	require.Greater(t, total.Words, 50_000, "the comments of the whole tree are read")
	tell, people := total.PerThousand()
	t.Logf("%d words of comments: tell %.2f, nobody … anew %.2f in 1,000", total.Words, tell, people)
	assert.LessOrEqual(t, tell, limit, "tell, tells, told, telling in 1,000 words:\n%s", strings.Join(lines, "\n"))
	assert.LessOrEqual(t, people, limit, "nobody, somebody, whoever, stands, lacks, anew in 1,000 words:\n%s", strings.Join(lines, "\n"))
}

// parsed calls visit with each Go file of the tree.
func parsed(t *testing.T, visit func(name string, set *token.FileSet, file *ast.File)) {
	t.Helper()
	for _, name := range sources(t, ".go") {
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, filepath.Join(root, name), nil, parser.ParseComments|parser.SkipObjectResolution)
		require.NoError(t, err)
		visit(name, set, file)
	}
}

func TestBoundsAreNamedMaxAndMin(t *testing.T) {
	wrong := regexp.MustCompile(`^(?i:most|longest|least)([A-Z].*)?$`)
	parsed(t, func(name string, set *token.FileSet, file *ast.File) {
		ast.Inspect(file, func(n ast.Node) bool {
			d, ok := n.(*ast.GenDecl)
			if !ok || d.Tok != token.CONST {
				return true
			}
			for _, s := range d.Specs {
				for _, id := range s.(*ast.ValueSpec).Names {
					assert.NotRegexp(t, wrong, id.Name, "%s:%d: name the constant max… or min…", name, set.Position(id.Pos()).Line)
				}
			}
			return true
		})
	})
}

// A word means one thing: a Reading is what the line of intake takes, a Sensor is what a driver implements.
func TestReadingAndSensorHaveOneHome(t *testing.T) {
	home := map[string]string{"Reading": "internal/core/intake", "Sensor": "sensors"}
	found := map[string][]string{}
	parsed(t, func(name string, _ *token.FileSet, file *ast.File) {
		for _, d := range file.Decls {
			if d, ok := d.(*ast.GenDecl); ok && d.Tok == token.TYPE {
				for _, s := range d.Specs {
					if id := s.(*ast.TypeSpec).Name.Name; home[id] != "" {
						found[id] = append(found[id], filepath.ToSlash(filepath.Dir(name)))
					}
				}
			}
		}
	})
	for id, dir := range home {
		assert.Equal(t, []string{dir}, found[id], "where the type %s is declared", id)
	}
}

// A comment that begins with the former name of what it documents misleads, and no compiler finds it.
func TestCommentsBeginWithTheNameThatTheyDocument(t *testing.T) {
	name := regexp.MustCompile(`^(?://|/\*)\s*(?:(?:A|An|The) )?([A-Za-z]\w*)`)
	inner := regexp.MustCompile(`^[A-Za-z][a-z]+[A-Z][A-Za-z0-9]*$`) // fooBar, FooBar
	check := func(file string, set *token.FileSet, doc *ast.CommentGroup, names ...string) {
		if doc == nil {
			return
		}
		m := name.FindStringSubmatch(doc.List[0].Text)
		if m == nil || !inner.MatchString(m[1]) {
			return
		}
		if slices.ContainsFunc(names, func(n string) bool { return n == m[1] || strings.HasPrefix(n, m[1]+"_") }) {
			return // TestX_Rule7 may be called TestX
		}
		assert.Fail(t, "a stale comment", "%s:%d: the comment of %s begins with %s", file, set.Position(doc.Pos()).Line, strings.Join(names, ", "), m[1])
	}
	parsed(t, func(file string, set *token.FileSet, f *ast.File) {
		for _, d := range f.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				check(file, set, d.Doc, d.Name.Name)
			case *ast.GenDecl:
				var all []string
				for _, s := range d.Specs {
					var names []string
					var doc *ast.CommentGroup
					switch s := s.(type) {
					case *ast.TypeSpec:
						names, doc = []string{s.Name.Name}, s.Doc
					case *ast.ValueSpec:
						doc = s.Doc
						for _, id := range s.Names {
							names = append(names, id.Name)
						}
					}
					check(file, set, doc, names...)
					all = append(all, names...)
				}
				if d.Tok != token.IMPORT {
					check(file, set, d.Doc, all...)
				}
			}
		}
	})
}
