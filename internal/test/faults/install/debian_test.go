package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestMirrorIsThatOfTheRelease(t *testing.T) {
	const targets = "bookworm-security main http://mirror.example/security\nbookworm contrib http://mirror.example/contrib\n" +
		" bookworm main http://mirror.example/debian \nbookworm main http://second.example/debian\n"
	mirror, err := mirrorOf(targets, "bookworm")
	require.NoError(t, err)
	assert.Equal(t, "http://mirror.example/debian", mirror)
	for _, release := range []string{"trixie", "book", ""} {
		_, err := mirrorOf(targets, release)
		assert.ErrorContains(t, err, "no mirror of "+release+" main")
	}
}

func TestOnePackageIsWanted(t *testing.T) {
	folder := t.TempDir()
	pattern := filepath.Join(folder, "dewline_*_amd64.deb")
	_, err := one(pattern)
	assert.ErrorContains(t, err, "0 packages")
	first := filepath.Join(folder, "dewline_0.1.0_amd64.deb")
	require.NoError(t, os.WriteFile(first, nil, 0o600))
	found, err := one(pattern)
	require.NoError(t, err)
	assert.Equal(t, first, found)
	require.NoError(t, os.WriteFile(filepath.Join(folder, "dewline_0.2.0_amd64.deb"), nil, 0o600))
	_, err = one(pattern)
	assert.ErrorContains(t, err, "2 packages")
}

func TestCommandSaysHowItEnded(t *testing.T) {
	require.NoError(t, command(t.Context(), "true"))
	assert.ErrorContains(t, command(t.Context(), "sh", "-c", "echo wrong >&2; exit 3"), "sh: exit status 3\nwrong\n")
}
