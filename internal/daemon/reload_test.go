package daemon_test

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/daemon"
)

// said is a log that a test reads while others write it.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// A reload logs what it cannot change, and goes on with the old values.
func TestReloadSaysWhatNeedsARestart(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "site.yaml")
	write := func(history, socket string) {
		text := strings.NewReplacer("SOCKET", filepath.Join(folder, socket), "HISTORY", filepath.Join(folder, history)).Replace(keptSite)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	}
	write("history.db", "control.sock")
	log, ready, reload := &said{}, make(chan daemon.Addresses, 1), make(chan struct{})
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- daemon.Run(ctx, daemon.Options{
			Config: path, Log: slog.New(slog.NewTextHandler(log, nil)), Sys: newProbeTree(t).root, Root: folder, Reload: reload,
			Ready: func(a daemon.Addresses) { ready <- a },
		})
	}()
	<-ready
	write("other.db", "other.sock")
	reload <- struct{}{}
	reload <- struct{}{} // taken once the first is done
	cancel()
	require.NoError(t, <-ended)
	assert.Contains(t, log.String(), "the new configuration is in force, but for what needs a restart")
	assert.Contains(t, log.String(), "history.path stays "+filepath.Join(folder, "history.db")+" until then, and becomes "+filepath.Join(folder, "other.db"))
	assert.Contains(t, log.String(), "control.socket stays "+filepath.Join(folder, "control.sock"))
	assert.NoFileExists(t, filepath.Join(folder, "other.db"))
	assert.NotContains(t, log.String(), `"the new configuration is in force"`)
}
