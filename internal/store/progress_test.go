package store

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a follower has noted is there at once, in the file with the next commit, and after a restart; what was not committed is not.
func TestProgressIsKeptWithTheReadings(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	s, err := Open(path, Options{})
	require.NoError(t, err)
	read := func(s *Store) string {
		body, err := s.Progress(t.Context(), "export")
		require.NoError(t, err)
		return string(body)
	}
	other := func() string {
		db, err := Open(path, Options{ReadOnly: true})
		require.NoError(t, err)
		defer db.Close(t.Context())
		return read(db)
	}
	assert.Empty(t, read(s))
	s.SetProgress("export", []byte("1"))
	assert.Equal(t, "1", read(s))
	assert.Empty(t, other(), "only a commit writes it")
	require.NoError(t, s.Record(t.Context(), nil, nil, wholeState("state")))
	assert.Empty(t, other(), "a write that leaves the readings in memory leaves it there too")
	require.NoError(t, s.Commit(t.Context()))
	assert.Equal(t, "1", other())
	s.SetProgress("export", []byte("2"))
	require.NoError(t, s.Close(t.Context()))
	assert.Equal(t, "2", other())

	s, err = Open(path, Options{})
	require.NoError(t, err)
	defer s.Close(t.Context())
	assert.Equal(t, "2", read(s))
	s.SetProgress("export", []byte("3"))
	require.NoError(t, s.Commit(t.Context()))
	s.mu.Lock()
	s.writeProgressAgain() // as after a file that was damaged has been replaced
	s.mu.Unlock()
	require.NoError(t, s.Commit(t.Context()))
	assert.Equal(t, "3", other())
}
