package kernelfile_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors/kernelfile"
)

func TestDir(t *testing.T) {
	root := t.TempDir()
	for _, folder := range []string{"devices/a1", "class"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, folder), 0o755))
	}
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(root, name), []byte(text), 0o644))
	}
	write("devices/a1/temp", "22312\n")
	write("devices/a1/empty", "")
	write("devices/a1/page", strings.Repeat("x", 4096))
	write("devices/a1/long", strings.Repeat("x", 4097))
	require.NoError(t, os.Symlink("../devices/a1", filepath.Join(root, "class/a1")))
	require.NoError(t, os.Symlink("/etc", filepath.Join(root, "class/outside")))
	files := kernelfile.Dir(root)

	text, err := files.ReadFile("class/a1/temp")
	require.NoError(t, err)
	assert.Equal(t, "22312\n", string(text), "through a link inside the root")
	text, err = files.ReadFile("class/a1/empty")
	require.NoError(t, err)
	assert.Empty(t, text)
	text, err = files.ReadFile("class/a1/page")
	require.NoError(t, err)
	assert.Len(t, text, 4096)
	_, err = files.ReadFile("class/a1/long")
	assert.ErrorContains(t, err, "longer than 4096 bytes")
	_, err = files.ReadFile("class/a1/none")
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = files.ReadFile("class/outside/hostname")
	assert.ErrorContains(t, err, "escapes")
	_, err = files.ReadFile("../etc/hostname")
	assert.ErrorContains(t, err, "escapes")

	require.NoError(t, files.WriteFile("class/a1/temp", []byte("1\n")))
	text, err = files.ReadFile("devices/a1/temp")
	require.NoError(t, err)
	assert.Equal(t, "1\n", string(text))
	assert.ErrorIs(t, files.WriteFile("class/a1/none", nil), fs.ErrNotExist, "nothing is created")

	to, err := files.ReadLink("class/a1")
	require.NoError(t, err)
	assert.Equal(t, "../devices/a1", to)
	_, err = files.ReadLink("devices/a1")
	assert.ErrorIs(t, err, syscall.EINVAL)

	_, err = kernelfile.Dir(filepath.Join(root, "none")).ReadFile("temp")
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

func TestFoldersAreInOrderOfTheirNumbers(t *testing.T) {
	root := t.TempDir()
	for _, name := range []string{"hwmon10", "hwmon2", "hwmon0", "a", "hwmon"} {
		require.NoError(t, os.MkdirAll(filepath.Join(root, "class", name), 0o755))
	}
	names, err := kernelfile.Dir(root).ReadDir("class")
	require.NoError(t, err)
	assert.Equal(t, []string{"a", "hwmon", "hwmon0", "hwmon2", "hwmon10"}, names)
	_, err = kernelfile.Dir(root).ReadDir("none")
	assert.True(t, errors.Is(err, fs.ErrNotExist))
}
