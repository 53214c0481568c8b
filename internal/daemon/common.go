package daemon

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"dewline/internal/config"
	"dewline/internal/core/instant"
	"dewline/internal/core/watch"
	"dewline/internal/server/control"
	"dewline/internal/server/status"
)

// common is what the parts of the daemon share. It may be used from any goroutine; of the clock, see [guardedClock].
type common struct {
	options Options
	id      string // of this run
	clock   guardedClock
	claims  *claims

	commands chan commandMessage
	current  status.Current
	watched  atomic.Pointer[watch.Site]
	inForce  atomic.Pointer[config.Site]
	titles   atomic.Pointer[map[string]string]
	lastTick atomic.Int64  // monotonic nanoseconds
	nextBeat time.Duration // monotonic, of the report to the service manager; belongs to the loop
}

// now returns the time for events.
func (c *common) now() instant.Instant { return instant.Of(c.clock.Now()) }

// healthy returns nil while the loop makes progress, otherwise what is wrong.
func (c *common) healthy() error {
	if silent := c.options.Clock.Monotonic() - time.Duration(c.lastTick.Load()); c.lastTick.Load() > 0 && silent > time.Minute {
		return fmt.Errorf("the core has not moved for %s", silent.Round(time.Second))
	}
	return nil
}

// command passes a command to the loop and waits for the response.
func (c *common) command(ctx context.Context, cmd watch.Command) (control.Response, error) {
	m := commandMessage{command: cmd, reply: make(chan commandReply, 1)}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	select {
	case c.commands <- m:
	case <-ctx.Done():
		return control.Response{}, errStopped
	}
	select {
	case response := <-m.reply:
		return response, nil
	case <-ctx.Done():
		return control.Response{}, errStopped
	}
}
