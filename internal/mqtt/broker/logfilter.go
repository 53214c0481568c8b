package broker

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
)

// logFilter passes on what the library logs, for debugging only: the library logs whole packets, with the payload of a publish and
// the password of a connect, and a line for each connection. Only harmless attributes pass.
type logFilter struct{ inner slog.Handler }

// Enabled reports whether debugging is on.
func (d logFilter) Enabled(ctx context.Context, _ slog.Level) bool {
	return d.inner.Enabled(ctx, slog.LevelDebug)
}

// Handle passes a record on.
func (d logFilter) Handle(ctx context.Context, r slog.Record) error {
	message := cmp.Or(r.Message, "connection ended")
	out := slog.NewRecord(r.Time, slog.LevelDebug, "mqtt library: "+message, r.PC)
	r.Attrs(func(a slog.Attr) bool {
		if kept, ok := harmless(a); ok {
			out.AddAttrs(kept)
		}
		return true
	})
	return d.inner.Handle(ctx, out)
}

// WithAttrs keeps the harmless attributes.
func (d logFilter) WithAttrs(attributes []slog.Attr) slog.Handler {
	var kept []slog.Attr
	for _, a := range attributes {
		if a, ok := harmless(a); ok {
			kept = append(kept, a)
		}
	}
	return logFilter{d.inner.WithAttrs(kept)}
}

// WithGroup opens a group.
func (d logFilter) WithGroup(name string) slog.Handler { return logFilter{d.inner.WithGroup(name)} }

func harmless(a slog.Attr) (slog.Attr, bool) {
	switch a.Key {
	case "error":
		return slog.String("err", shortened(fmt.Sprint(a.Value.Any()))), true
	case "client", "remote", "old_remote", "new_remote", "listener", "hook", "version", "keepalive", "id", "protocol", "address":
		return slog.String(a.Key, shortened(a.Value.String())), true
	}
	return slog.Attr{}, false
}
