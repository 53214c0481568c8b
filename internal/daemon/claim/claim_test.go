package claim_test

import (
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/daemon/claim"
)

var me = claim.Holder{PID: os.Getpid(), Since: time.Date(2026, 7, 14, 13, 0, 0, 0, time.UTC), Config: "/etc/dewline/site.yaml"}

func TestFileIsHeldOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "deep", "history.db")
	first, taken := claim.Take(me, claim.File("the history", path))
	require.Nil(t, taken)
	_, taken = claim.Take(claim.Holder{PID: 1}, claim.File("the history", path))
	assert.Equal(t, claim.Taken{{What: "the history " + path, Holder: me}}, taken)
	require.NoError(t, first.Release())
	assert.NoFileExists(t, path+claim.Suffix)
	again, taken := claim.Take(me, claim.File("the history", path))
	require.Nil(t, taken)
	require.NoError(t, again.Release())
}

// A lock file that a dead process left behind, whatever it holds, is no lock.
func TestLeftFileIsFree(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	rapid.Check(t, func(r *rapid.T) {
		require.NoError(t, os.WriteFile(path+claim.Suffix, rapid.SliceOf(rapid.Byte()).Draw(r, "left"), 0o640))
		held, taken := claim.Take(me, claim.File("the history", path))
		require.Nil(t, taken)
		require.NoError(t, held.Release())
	})
}

// Whatever the file says, the kernel knows who has locked it.
func TestHolderOfAForeignLock(t *testing.T) {
	path := filepath.Join(t.TempDir(), "history.db")
	file, err := os.Create(path + ".lock")
	require.NoError(t, err)
	defer file.Close()
	require.NoError(t, syscall.Flock(int(file.Fd()), syscall.LOCK_EX))
	_, taken := claim.Take(me, claim.File("the history", path, path+".lock"))
	require.Len(t, taken, 1)
	assert.Equal(t, os.Getpid(), taken[0].Holder.PID)
	assert.NotEmpty(t, taken[0].Holder.Line)
	assert.InDelta(t, 0, time.Since(taken[0].Holder.Since).Seconds(), 600, "the start of this test")
	assert.NoFileExists(t, path+claim.Suffix, "nothing stays claimed")
}

// All or nothing: what could be claimed beside a conflict is free again.
func TestAllOrNothing(t *testing.T) {
	folder := t.TempDir()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	history := claim.File("the history", filepath.Join(folder, "history.db"))
	_, taken := claim.Take(me, history, claim.Address("the web address", listener.Addr().String()))
	require.Len(t, taken, 1)
	assert.Equal(t, os.Getpid(), taken[0].Holder.PID)
	held, taken := claim.Take(me, history, claim.Address("the web address", "127.0.0.1:0"))
	require.Nil(t, taken)
	require.NoError(t, held.Release())
}

func TestSocketThatAnswers(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	listener, err := net.Listen("unix", path)
	require.NoError(t, err)
	_, taken := claim.Take(me, claim.Socket("the control socket", path))
	require.Len(t, taken, 1)
	assert.Equal(t, os.Getpid(), taken[0].Holder.PID)
	require.NoError(t, listener.Close())
	held, taken := claim.Take(me, claim.Socket("the control socket", path))
	require.Nil(t, taken, "a socket that a dead process left behind")
	require.NoError(t, held.Release())
}

func TestNameIsHeldOnce(t *testing.T) {
	name := claim.Name("the MQTT connection", t.TempDir())
	held, taken := claim.Take(me, name)
	require.Nil(t, taken)
	for range 300 { // more than wait in the kernel
		_, taken = claim.Take(me, name)
		require.Len(t, taken, 1)
		require.Equal(t, os.Getpid(), taken[0].Holder.PID)
	}
	require.NoError(t, held.Release())
	held, taken = claim.Take(me, name)
	require.Nil(t, taken)
	require.NoError(t, held.Release())
}

// A folder that cannot be written is no conflict: its user reports the error.
func TestWhatCannotBeClaimed(t *testing.T) {
	folder := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(folder, "file"), nil, 0o600))
	held, taken := claim.Take(me, claim.File("the history", filepath.Join(folder, "file", "history.db")))
	require.Nil(t, taken)
	require.NoError(t, held.Release())
}

func TestWords(t *testing.T) {
	taken := claim.Taken{
		{What: "the history a.db", Holder: me},
		{What: "the control socket b", Holder: claim.Holder{PID: me.PID, Line: "dewline run"}},
		{What: "the web address c", Holder: claim.Holder{PID: 12, Line: "python3 -m http.server"}},
		{What: "the address d", Holder: claim.Holder{}},
	}
	me := me
	me.PID = 4242
	taken[0].Holder.PID, taken[1].Holder.PID = me.PID, me.PID
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	assert.Equal(t, `process 4242 (dewline with /etc/dewline/site.yaml, since 14 Jul 14:00) holds the history a.db and the control socket b
process 12 (python3 -m http.server) holds the web address c
another process, whose number this user may not see, holds the address d`, taken.In(lisbon))
}
