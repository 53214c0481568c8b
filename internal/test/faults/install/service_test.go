package main

import (
	"errors"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestServiceIsThatOfTheUnit(t *testing.T) {
	text, err := os.Open("../../../../systemd/dewline.service")
	require.NoError(t, err)
	defer text.Close()
	set, err := serviceSection(text)
	require.NoError(t, err)
	assert.Equal(t, "dewline", set["User"])
	assert.Contains(t, set["ExecStart"], "/usr/bin/dewline run")

	_, err = serviceSection(strings.NewReader("[Unit]\nUser=dewline\n[Service]\nExecStart=/usr/bin/dewline run\n"))
	assert.ErrorContains(t, err, "the unit has no User")
	assert.NotContains(t, err.Error(), "ExecStart")
	_, err = serviceSection(strings.NewReader("[Service\nUser"))
	assert.Error(t, err)
}

// A service is waited for until it says that it is ready, and its end comes before that of the wait.
func TestServiceIsAwaited(t *testing.T) {
	socket := filepath.Join(t.TempDir(), "ready")
	messages, err := net.ListenPacket("unixgram", socket)
	require.NoError(t, err)
	s := &service{runtime: t.TempDir(), process: exec.Command("sleep", "1000"), ended: make(chan error, 1), messages: messages}
	require.NoError(t, s.process.Start())
	go func() { s.ended <- s.process.Wait() }()
	go s.hear()
	peer, err := net.Dial("unixgram", socket)
	require.NoError(t, err)
	_, err = peer.Write([]byte("READY=1"))
	require.NoError(t, errors.Join(err, peer.Close()))
	require.NoError(t, s.await(t.Context(), "READY=1"))
	assert.ErrorContains(t, s.stop(), "terminated")
	assert.NoDirExists(t, s.runtime)

	s.ended <- nil
	assert.ErrorContains(t, s.await(t.Context(), "WATCHDOG=1"), "it ended: without an error")
}
