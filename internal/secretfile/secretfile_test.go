package secretfile_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/secretfile"
)

func TestRead(t *testing.T) {
	folder := t.TempDir()
	for name, c := range map[string]struct{ content, want, problem string }{
		"a line":                 {"s3cret word\n", "s3cret word", ""},
		"a line without its end": {"s3cret", "s3cret", ""},
		"a line of another kind": {"s3cret\r\n", "s3cret", ""},
		"as long as MQTT allows": {strings.Repeat("x", 64<<10), strings.Repeat("x", 64<<10), ""},
		"nothing":                {"\n", "", "is empty"},
		"two lines":              {"s3cret\nmore\n", "", "has more than one line"},
		"a control character":    {"s3cret\x00\n", "", "control characters"},
		"a whole disk":           {strings.Repeat("s3cret", 20_000), "", "is larger than a password"},
	} {
		path := filepath.Join(folder, name)
		require.NoError(t, os.WriteFile(path, []byte(c.content), 0o600))
		got, err := secretfile.Read(path)
		assert.Equal(t, c.want, got, name)
		if c.problem == "" {
			assert.NoError(t, err, name)
			continue
		}
		require.ErrorContains(t, err, path)
		assert.ErrorContains(t, err, c.problem)
		assert.NotContains(t, err.Error(), "s3cret")
	}
	_, err := secretfile.Read(filepath.Join(folder, "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}
