package kernelfiletest_test

import (
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/sensors/kernelfile"
	"dewline/sensors/sensortest/kernelfiletest"
)

const (
	tree = "../../../testdata/sys/north-loft"
	temp = "class/thermal/thermal_zone0/temp"
)

func text(t *testing.T, files kernelfile.Files) string {
	t.Helper()
	got, err := files.ReadFile(temp)
	require.NoError(t, err)
	return string(got)
}

func TestFaults(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	truth := text(t, files)
	files.Next(temp, kernelfiletest.Answer{Text: "1"}, kernelfiletest.Answer{Err: syscall.EIO})
	files.Always(temp, kernelfiletest.Answer{Text: "2"})
	assert.Equal(t, "1", text(t, files))
	_, err := files.ReadFile(temp)
	assert.ErrorIs(t, err, syscall.EIO)
	assert.Equal(t, "2", text(t, files))
	assert.Equal(t, 4, files.Reads(temp))
	assert.Equal(t, 4, files.Calls())

	files.Heal()
	files.Alter(temp, func(s string) string { return "1" + s })
	assert.Equal(t, "1"+truth, text(t, files))

	files.Heal()
	files.FailAt(2, syscall.ENXIO)
	assert.Equal(t, truth, text(t, files))
	_, err = files.ReadLink("class/thermal/thermal_zone0")
	assert.ErrorIs(t, err, syscall.ENXIO)
	assert.Equal(t, truth, text(t, files))

	files.Unplug("class/thermal/thermal_zone0")
	_, err = files.ReadFile(temp)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	names, err := files.ReadDir("class/thermal")
	require.NoError(t, err)
	assert.Empty(t, names)
	files.Heal()
	assert.Equal(t, truth, text(t, files))
}

func TestWritesStayInMemory(t *testing.T) {
	files := kernelfiletest.New(kernelfile.Dir(tree))
	truth := text(t, files)
	require.NoError(t, files.WriteFile(temp, []byte("7\n")))
	assert.Equal(t, "7\n", text(t, files))
	assert.Equal(t, truth, text(t, kernelfiletest.New(kernelfile.Dir(tree))))
	assert.ErrorIs(t, files.WriteFile("class/none", nil), fs.ErrNotExist)
	files.Always(temp, kernelfiletest.Answer{Err: fs.ErrPermission})
	assert.ErrorIs(t, files.WriteFile(temp, nil), fs.ErrPermission)
}

func TestHangAndDelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		files := kernelfiletest.New(kernelfile.Dir(tree))
		begun := time.Now()
		files.Delay(time.Minute)
		text(t, files)
		assert.Equal(t, time.Minute, time.Since(begun))
		files.Hang()
		files.Hang() // once is enough
		time.AfterFunc(time.Hour, files.Heal)
		text(t, files)
		assert.Equal(t, time.Hour+2*time.Minute, time.Since(begun), "the call before was slow as well")
	})
}

func TestCopy(t *testing.T) {
	root := kernelfiletest.Copy(t, tree)
	to, err := os.Readlink(filepath.Join(root, "class/thermal/thermal_zone0"))
	require.NoError(t, err)
	assert.Equal(t, "../../devices/virtual/thermal/thermal_zone0", to)
	text(t, kernelfile.Dir(root))
}
