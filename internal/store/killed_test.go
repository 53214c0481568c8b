package store

import (
	"bytes"
	"database/sql"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/instant"
)

// A program that is killed in the middle of a transaction leaves whole frames without a commit at the end of the log. The next
// transaction overwrites them, which is no damage: the file goes on being used.
func TestWhatAKilledWriteLeavesIsNoDamage(t *testing.T) {
	path := tempPath(t)
	s := begin(t, path)
	last := fill(s, "run-1", water, noon, 10*second, 20)
	require.NoError(t, s.Commit(t.Context()))

	other, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer other.Close()
	other.SetMaxOpenConns(1) // the pragmas belong to a connection
	committed := logLength(t, path)
	for _, statement := range []string{
		"PRAGMA cache_size = 2", "PRAGMA cache_spill = 2", "BEGIN IMMEDIATE", "CREATE TABLE unfinished (content BLOB)",
		"WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i+1 FROM n WHERE i < 40) INSERT INTO unfinished SELECT randomblob(4000) FROM n",
	} {
		_, err := other.ExecContext(t.Context(), statement)
		require.NoError(t, err, statement)
	}
	require.Greater(t, logLength(t, path), committed+20*4096, "the transaction has spilled into the log")
	killed := filepath.Join(t.TempDir(), "history.db")
	for _, suffix := range []string{"", logSuffix} {
		content, err := os.ReadFile(path + suffix)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(killed+suffix, content, 0o600))
	}

	goesOn(t, killed, last)
}

// A program that is killed after it has written a transaction to the log, and before it has published it, leaves a whole transaction that
// SQLite does not count while another program keeps the index of the log alive. It is overwritten, which is no damage either.
func TestWhatAKilledWriteHasNotPublishedIsNoDamage(t *testing.T) {
	path := tempPath(t)
	s := begin(t, path)
	last := fill(s, "run-1", water, noon, 10*second, 20)
	require.NoError(t, s.Commit(t.Context()))
	other, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	defer other.Close()
	var tables int
	require.NoError(t, other.QueryRowContext(t.Context(), "SELECT count(*) FROM sqlite_master").Scan(&tables))
	abandon(s)

	log, err := os.ReadFile(path + logSuffix)
	require.NoError(t, err)
	h, ok := parseLogHeader(log[:logHeaderSize])
	require.True(t, ok)
	m, ok, err := scanLog(bytes.NewReader(log), logMark{}, -1)
	require.NoError(t, err)
	require.True(t, ok)
	for i := range byte(2) {
		var page [8]byte // its number, and the size of the file after a commit
		binary.BigEndian.PutUint32(page[:], 1)
		binary.BigEndian.PutUint32(page[4:], uint32(i)*50)
		log, m.sum = h.appendFrame(log, m.sum, page[:], bytes.Repeat([]byte{i}, h.pageSize))
	}
	require.NoError(t, os.WriteFile(path+logSuffix, log, 0o600))
	whole, _, err := scanLog(bytes.NewReader(log), logMark{}, -1)
	require.NoError(t, err)
	require.Equal(t, m.frames+2, whole.frames, "it is whole")

	goesOn(t, path, last)
}

// goesOn opens a history with twenty readings again, and writes four times as many to it.
func goesOn(t *testing.T, path string, last instant.Instant) {
	t.Helper()
	s := begin(t, path)
	for range 4 { // each looks at the log that the ones before have written
		last = fill(s, "run-2", water, last.Add(10*second), 10*second, 20)
		require.NoError(t, s.Commit(t.Context()))
	}
	asides, err := filepath.Glob(path + ".corrupt-*")
	require.NoError(t, err)
	assert.Empty(t, asides)
	assert.Len(t, collectAll(t, s, water), 100)
}

func logLength(t *testing.T, path string) int64 {
	t.Helper()
	info, err := os.Stat(path + logSuffix)
	require.NoError(t, err)
	return info.Size()
}
