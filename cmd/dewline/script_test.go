package main

import (
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"dewline/internal/test/harness"
)

// TestMain lets tests run this program as a process of its own: see program.
func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"dewline": main})
}

// TestScripts runs the command lines in testdata/script, with good and with bad input, against the real program, which
// has the flags of the tag harness.
func TestScripts(t *testing.T) {
	tree, err := filepath.Abs("../../testdata/sys/north-loft")
	if err != nil {
		t.Fatal(err)
	}
	shipped, err := filepath.Abs("../../configs")
	if err != nil {
		t.Fatal(err)
	}
	binary := harness.Binary(t)
	built := filepath.Dir(binary)
	testscript.Run(t, testscript.Params{
		Dir:  "testdata/script",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){"enclosure": enclosure, "lives": lives(binary)},
		Setup: func(env *testscript.Env) error {
			env.Setenv("PATH", built+string(filepath.ListSeparator)+env.Getenv("PATH"))
			env.Setenv("TREE", tree)
			env.Setenv("CONFIGS", shipped)
			env.Setenv("TMPDIR", env.WorkDir)
			return nil
		},
	})
}
