package main

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"sync"
)

// journalHandler writes slog's text lines, each behind the priority in angle brackets by which journald sorts lines of
// standard error (sd-daemon(3)).
type journalHandler struct {
	text   slog.Handler
	shared *journalWriter
}

// journalWriter collects one line and puts the priority in front of it.
type journalWriter struct {
	mu   sync.Mutex
	line bytes.Buffer
	out  io.Writer
}

func (w *journalWriter) Write(p []byte) (int, error) { return w.line.Write(p) }

func newJournalHandler(out io.Writer, level slog.Level) slog.Handler {
	shared := &journalWriter{out: out}
	text := slog.NewTextHandler(shared, &slog.HandlerOptions{Level: level, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && (a.Key == slog.TimeKey || a.Key == slog.LevelKey) {
			return slog.Attr{} // journald has both
		}
		return a
	}})
	return &journalHandler{text, shared}
}

// Enabled reports whether records of the level are written.
func (h *journalHandler) Enabled(ctx context.Context, level slog.Level) bool {
	return h.text.Enabled(ctx, level)
}

// Handle writes a record.
func (h *journalHandler) Handle(ctx context.Context, r slog.Record) error {
	h.shared.mu.Lock()
	defer h.shared.mu.Unlock()
	h.shared.line.Reset()
	h.shared.line.WriteString(priority(r.Level))
	if err := h.text.Handle(ctx, r); err != nil {
		return err
	}
	_, err := h.shared.out.Write(h.shared.line.Bytes())
	return err
}

// WithAttrs returns a handler that adds attributes.
func (h *journalHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &journalHandler{h.text.WithAttrs(attrs), h.shared}
}

// WithGroup returns a handler that opens a group.
func (h *journalHandler) WithGroup(name string) slog.Handler {
	return &journalHandler{h.text.WithGroup(name), h.shared}
}

// priority returns the syslog priority (RFC 5424) of a level.
func priority(level slog.Level) string {
	switch {
	case level >= slog.LevelError:
		return "<3>"
	case level >= slog.LevelWarn:
		return "<4>"
	case level >= slog.LevelInfo+2: // notable
		return "<5>"
	case level >= slog.LevelInfo:
		return "<6>"
	}
	return "<7>"
}
