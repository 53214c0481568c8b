package main

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
)

// journalWriter takes the lines of a [slog.TextHandler], one with each call, whose first attribute is the priority, and puts that into angle
// brackets, by which journald sorts lines of standard error (sd-daemon(3)).
type journalWriter struct{ out io.Writer }

func (w journalWriter) Write(line []byte) (int, error) {
	priority, text, _ := bytes.Cut(bytes.TrimPrefix(line, []byte(slog.LevelKey+"=")), []byte(" "))
	if _, err := fmt.Fprintf(w.out, "<%s>%s", priority, text); err != nil {
		return 0, err
	}
	return len(line), nil
}

func newJournalHandler(out io.Writer, level slog.Level) slog.Handler {
	return slog.NewTextHandler(journalWriter{out}, &slog.HandlerOptions{Level: level, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		switch {
		case len(groups) == 0 && a.Key == slog.TimeKey:
			return slog.Attr{} // journald has it
		case len(groups) == 0 && a.Key == slog.LevelKey:
			level, _ := a.Value.Any().(slog.Level)
			a.Value = slog.IntValue(priority(level))
		}
		return a
	}})
}

// priority returns the syslog priority (RFC 5424) of a level.
func priority(level slog.Level) int {
	switch {
	case level >= slog.LevelError:
		return 3
	case level >= slog.LevelWarn:
		return 4
	case level >= slog.LevelInfo+2: // notable
		return 5
	case level >= slog.LevelInfo:
		return 6
	}
	return 7
}
