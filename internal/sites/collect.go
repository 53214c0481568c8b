package sites

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dewline/internal/mqtt"
)

// quiet is how long a broker must have sent nothing that it retains until all of that counts as sent: it marks no end.
const quiet = 700 * time.Millisecond

// received bounds the messages that wait to be taken: a thousand points of five hundred sites fit.
const received = 1 << 16

// Collect reads what a broker retains into a book. It only subscribes. patience bounds how long it waits for the connection, and again for
// the messages.
func Collect(ctx context.Context, o mqtt.Options, book *Book, patience time.Duration) error {
	client, err := mqtt.New(o)
	if err != nil {
		return err
	}
	messages := make(chan mqtt.Received)
	ctx, cancel := context.WithCancel(ctx)
	var done sync.WaitGroup
	defer done.Wait()
	defer cancel()
	for _, filter := range book.Filters() {
		s, err := client.Subscribe(filter, 0, received)
		if err != nil {
			return err
		}
		done.Go(func() {
			for {
				select {
				case m := <-s.C:
					select {
					case messages <- m:
					case <-ctx.Done():
						return
					}
				case <-ctx.Done():
					return
				}
			}
		})
	}
	done.Go(func() { _ = client.Run(ctx) }) // it returns nil
	if err := connected(ctx, client, patience); err != nil {
		return err
	}
	end, silence := time.NewTimer(patience), time.NewTimer(2*quiet)
	defer end.Stop()
	defer silence.Stop()
	for {
		select {
		case m := <-messages:
			book.Take(m.Topic, m.Payload)
			if m.Retained { // hundreds of sites never cease to speak
				silence.Reset(quiet)
			}
		case <-silence.C:
			if dropped := client.Status().Dropped; dropped > 0 {
				return fmt.Errorf("the broker retains more than can be taken: %d messages were left out", dropped)
			}
			return nil
		case <-end.C:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// connected waits for the connection.
func connected(ctx context.Context, client *mqtt.Client, patience time.Duration) error {
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	deadline := time.Now().Add(patience)
	for {
		status := client.Status()
		switch {
		case status.Connected:
			return nil
		case status.Tries > 0 && status.Err != "", time.Now().After(deadline):
			return fmt.Errorf("broker %s: %w", status.Broker, errors.New(status.Err))
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}
