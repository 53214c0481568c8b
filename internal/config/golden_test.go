package config

import (
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

var update = flag.Bool("rewrite", false, "rewrite the golden files; read them in the diff")

// TestEveryMistakeIsReportedAtOnce compares the problems of a configuration with every kind of mistake with a golden list: all of
// them in one run, each with its position.
func TestEveryMistakeIsReportedAtOnce(t *testing.T) {
	// The mode of a file does not survive every checkout, so it is set here.
	require.NoError(t, os.Chmod("testdata/mistakes/secret-for-all", 0o644))
	site, problems := Load("testdata/mistakes/site.yaml")
	require.Nil(t, site)
	require.Error(t, problems.Err())
	golden(t, "testdata/mistakes/problems.golden", problems.String()+"\n")
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(filepath.FromSlash(path))
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}
