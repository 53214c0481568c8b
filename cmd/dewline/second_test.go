package main

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// program is this program as a process of its own: see TestMain.
func program(ctx context.Context, t *testing.T, args ...string) (*exec.Cmd, *bytes.Buffer) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	command := exec.CommandContext(ctx, self, args...)
	command.Args[0] = "dewline"
	var errors bytes.Buffer
	command.Stderr = &errors
	return command, &errors
}

// freeAddress returns an address on which no program listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	require.NoError(t, listener.Close())
	return listener.Addr().String()
}

// site writes a configuration of the North Loft into a folder.
type site struct{ history, socket, web, broker, id string }

func (s site) write(t *testing.T, path string) {
	t.Helper()
	require.NoError(t, os.WriteFile(path, fmt.Appendf(nil, `site: %s
timezone: Europe/Lisbon
places:
  - {id: loft, kind: room, bands: {air-temperature: {high: 78 degF, critical-high: 82 degF}}}
sensors:
  - {id: loft-air, driver: sht4x, bus: I2C1, address: 0x44, feeds: {temperature: loft/air-temperature}}
history: {path: %s}
control: {socket: %s}
web: {listen: "%s"}
mqtt: {broker: "mqtt://%s"}
notify: [{via: mqtt}]
`, s.id, s.history, s.socket, s.web, s.broker), 0o600))
}

// A second daemon on anything of a first one's does not start, and says which process has what. After kill -9 everything is free.
func TestSecondRunSaysWhoHoldsWhat(t *testing.T) {
	folder := t.TempDir()
	path := func(name string) string { return filepath.Join(folder, name) }
	first := site{path("history.db"), path("control.sock"), freeAddress(t), freeAddress(t), "north-loft"}
	first.write(t, path("first.yaml"))
	running, said := program(t.Context(), t, "run", "--config", path("first.yaml"))
	require.NoError(t, running.Start())
	defer func() { _ = running.Process.Kill() }()
	require.Eventually(t, func() bool {
		conn, err := net.Dial("tcp", first.web)
		if err == nil {
			_ = conn.Close()
		}
		return err == nil
	}, 30*time.Second, 20*time.Millisecond)

	refused := func(t *testing.T, other site) string {
		t.Helper()
		other.write(t, path("second.yaml"))
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		second, errors := program(ctx, t, "run", "--config", path("second.yaml"))
		err := second.Run()
		var exit *exec.ExitError
		require.ErrorAs(t, err, &exit, "%s", errors)
		assert.Equal(t, exitFailed, exit.ExitCode(), "%s", errors)
		text := errors.String()
		assert.Contains(t, text, fmt.Sprintf("process %d (dewline with %s, since ", running.Process.Pid, path("first.yaml")))
		assert.NotContains(t, text, "watching")
		return text
	}
	own := func() site {
		return site{path("other.db"), path("other.sock"), freeAddress(t), freeAddress(t), "south-loft"}
	}
	t.Run("everything", func(t *testing.T) {
		text := refused(t, first)
		for _, what := range []string{
			"the history " + first.history, "the control socket " + first.socket, "the web address " + first.web,
			"the MQTT connection dewline-north-loft to mqtt://" + first.broker,
		} {
			assert.Contains(t, text, what)
		}
	})
	t.Run("the history", func(t *testing.T) {
		other := own()
		other.history = first.history
		assert.Contains(t, refused(t, other), "the history")
		assert.NoFileExists(t, other.socket)
	})
	t.Run("the control socket", func(t *testing.T) {
		other := own()
		other.socket = first.socket
		assert.Contains(t, refused(t, other), "the control socket")
		assert.NoFileExists(t, other.history, "nothing was opened")
		assert.NoFileExists(t, other.history+".run")
	})
	t.Run("the web address", func(t *testing.T) {
		other := own()
		other.web = first.web
		assert.Contains(t, refused(t, other), "the web address")
		assert.NoFileExists(t, other.history)
	})
	t.Run("the client id", func(t *testing.T) {
		other := own()
		other.id, other.broker = first.id, first.broker
		assert.Contains(t, refused(t, other), "the MQTT connection")
		assert.NoFileExists(t, other.history)
	})

	require.NoError(t, running.Process.Kill())
	_ = running.Wait() // killed
	assert.NotContains(t, said.String(), "level=ERROR")
	again, errors := program(t.Context(), t, "run", "--config", path("first.yaml"))
	require.NoError(t, again.Start())
	defer func() { _ = again.Process.Kill() }()
	require.Eventually(t, func() bool {
		alarms, _ := program(t.Context(), t, "alarm", "list", "--socket", first.socket)
		return alarms.Run() == nil
	}, 30*time.Second, 50*time.Millisecond, "after kill -9 everything is free")
	require.NoError(t, again.Process.Signal(syscall.SIGTERM))
	require.NoError(t, again.Wait(), "%s", errors)
	left, err := filepath.Glob(path("*.run"))
	require.NoError(t, err)
	assert.Empty(t, left, "an end in good order leaves nothing behind")
}
