package config

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Every key that the package reads is described in its documentation, which is the reference that the keeper is shown. The
// keys are those of the source itself: the texts handed to fields, and the lists of keys.
func TestEveryKeyIsDescribed(t *testing.T) {
	keys := keysOfTheSource(t)
	require.Greater(t, len(keys), 90, "the source is read differently now: look at keysOfTheSource")
	reference := Reference()
	for key := range keys {
		require.Regexp(t, `(^|[^a-z-])`+regexp.QuoteMeta(key)+`($|[^a-z-])`, reference, "the key %s is not described in doc.go", key)
	}
}

func keysOfTheSource(t *testing.T) map[string]bool {
	paths, err := filepath.Glob("*.go")
	require.NoError(t, err)
	keys := map[string]bool{}
	take := func(n ast.Node) {
		ast.Inspect(n, func(n ast.Node) bool {
			if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
				text, err := strconv.Unquote(l.Value)
				require.NoError(t, err)
				keys[text] = true
			}
			return true
		})
	}
	for _, path := range paths {
		if strings.HasSuffix(path, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if f, ok := n.Fun.(*ast.SelectorExpr); ok && f.Sel.Name == "fields" && len(n.Args) > 2 {
					for _, argument := range n.Args[2:] {
						if _, literal := argument.(*ast.BasicLit); literal {
							take(argument)
						}
					}
				}
			case *ast.ValueSpec:
				if strings.HasSuffix(n.Names[0].Name, "Keys") {
					for _, value := range n.Values {
						if _, list := value.(*ast.CompositeLit); list {
							take(value)
						}
					}
				}
			}
			return true
		})
	}
	return keys
}
