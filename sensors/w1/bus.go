package w1

import (
	"context"
	"fmt"

	"dewline/sensors"
)

// Bus lets the probes of one bus master convert one after another. Probes on parasitic power need that, since a
// conversion takes the whole line; for powered ones it keeps the bus free of collisions with the kernel's own searches.
// Ten probes take 7.5 s in turn, so a deadline has to leave room for the queue.
//
// A probe whose read hangs gives its turn back when its context ends.
type Bus struct {
	turn chan struct{} // holds a token while a probe has its turn
}

// NewBus returns a bus to share between all sensors of one bus master.
func NewBus() *Bus { return &Bus{turn: make(chan struct{}, 1)} }

// take waits for its turn as long as ctx allows, and returns how to give it back.
func (b *Bus) take(ctx context.Context, who string) (func(), error) {
	err := ctx.Err()
	if err == nil {
		select {
		case b.turn <- struct{}{}:
			return func() { <-b.turn }, nil
		case <-ctx.Done():
			err = ctx.Err()
		}
	}
	return nil, &sensors.Error{Kind: sensors.Timeout, Doing: "reading w1 " + who,
		Err: fmt.Errorf("no turn on the 1-Wire bus: %w", err)}
}
