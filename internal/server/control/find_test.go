package control

import (
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"dewline/internal/server/status"
)

// A daemon of this program is found by the sockets on which it listens; other files and other programs are not looked into.
func TestFind(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "with a space.sock")
	server, err := Listen(path, &status.Current{}, (&obedient{}).command, nil, quiet())
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, server.Close()) })

	// This process plays the daemon, under another process id, because Find leaves out its own.
	proc, own := filepath.Join(folder, "proc"), "/proc/"+strconv.Itoa(os.Getpid())
	require.NoError(t, os.Mkdir(proc, 0o755))
	require.NoError(t, os.Symlink(own, filepath.Join(proc, "1000000001")))
	require.NoError(t, os.Symlink(own, filepath.Join(proc, "uptime")))
	other := filepath.Join(proc, "1000000002")
	require.NoError(t, os.Mkdir(other, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(other, "comm"), []byte("something\n"), 0o644))
	require.NoError(t, os.Symlink(own+"/fd", filepath.Join(other, "fd")))
	require.NoError(t, os.Symlink(own+"/net", filepath.Join(other, "net")))

	found := Find(proc)
	require.Contains(t, found, Running{1000000001, path})
	for _, r := range found {
		require.Equal(t, 1000000001, r.Process)
	}
	require.NoError(t, os.WriteFile(filepath.Join(other, "comm"), []byte("dewline\n"), 0o644))
	require.Contains(t, Find(proc), Running{1000000002, path}, "after an upgrade, by its name")
	require.Empty(t, Find(filepath.Join(folder, "nowhere")))
}

// A socket that is bound by a relative name is found from everywhere.
func TestFindARelativePath(t *testing.T) {
	folder := t.TempDir()
	t.Chdir(folder)
	listener, err := net.Listen("unix", "control.sock")
	require.NoError(t, err)
	defer listener.Close()
	require.NoError(t, os.Mkdir("proc", 0o755))
	require.NoError(t, os.Symlink("/proc/"+strconv.Itoa(os.Getpid()), "proc/1000000001"))
	resolved, err := filepath.EvalSymlinks(folder)
	require.NoError(t, err)
	require.Contains(t, Find("proc"), Running{1000000001, filepath.Join(resolved, "control.sock")})
}
