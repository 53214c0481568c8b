package main

import (
	"os"
	"os/exec"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMountsBelowAFolder(t *testing.T) {
	const mountinfo = "22 28 0:21 / /proc rw,relatime shared:5 - proc proc rw\n" +
		"23 28 0:22 / /srv/debian-12 rw - tmpfs tmpfs rw\n" +
		"24 28 0:23 / /srv/debian-12/system/proc rw - proc proc rw\n" +
		"25 28 0:24 / /srv/debian-123/system/proc rw - proc proc rw\n" +
		"26 28 0:25 /srv/debian-12/system /mnt rw - ext4 /dev/sda rw\n\n"
	for folder, want := range map[string][]string{
		"/srv/debian-12":  {"/srv/debian-12", "/srv/debian-12/system/proc"},
		"/srv/debian-123": {"/srv/debian-123/system/proc"},
		"/srv/debian-1":   nil,
	} {
		assert.Equal(t, want, mountedBelow(mountinfo, folder), folder)
	}
}

func TestLeavesFindsWhatIsThere(t *testing.T) {
	require.NoError(t, leaves(t.TempDir()))
	assert.ErrorContains(t, leaves("/proc"), "still mounted: /proc")
	mine, err := os.Readlink("/proc/self/root")
	require.NoError(t, err)
	assert.ErrorContains(t, leaves(mine), "still runs in "+mine)
}

// What is missing on this machine is said before minutes of work, and by its name.
func TestRightsAreAskedForByName(t *testing.T) {
	if os.Geteuid() != 0 {
		require.ErrorContains(t, mayChroot(t.Context(), t.TempDir()), "root")
		return
	}
	assert.ErrorContains(t, mayChroot(t.Context(), t.TempDir()+"/missing"), "CAP_MKNOD")
	t.Setenv("PATH", t.TempDir())
	assert.ErrorIs(t, mayChroot(t.Context(), t.TempDir()), exec.ErrNotFound)
}
