// Package queue holds what an outbox and those who fill and empty it agree on.
package queue

import (
	"errors"
	"time"

	"dewline/internal/core/instant"
)

// Class tells what may be given up when a queue is full.
type Class uint8

// The classes.
const (
	Telemetry Class = iota // may be dropped, the oldest first
	Alarm                  // is never dropped
)

// Item is a message that waits to go out.
type Item struct {
	// ID is its place in the queue; the queue gives it. IDs count up and are never used again.
	ID uint64
	// Event is the identity that every repeat of the delivery carries.
	Event string
	Class Class
	// Topic is where it goes. Items of one topic go out in the order of their IDs.
	Topic string
	Body  []byte
	// At is when the thing happened.
	At instant.Instant
}

// Queue is the outbox of one notifier, the only queue that counts. Its methods may be called from any goroutine and must
// not wait for anything but a disk.
type Queue interface {
	// Add appends an item. It may give up telemetry to make room, and returns [ErrFull] where that does not help.
	Add(item Item) error
	// Next returns the oldest items whose ID is above after, in order, at most limit.
	Next(after uint64, limit int) ([]Item, error)
	// Done removes an item that has been delivered. An item that is not there any more is no error.
	Done(id uint64) error
	// Pending returns how many items wait.
	Pending() (int, error)
	// Oldest returns when the oldest waiting thing happened; [instant.None] when nothing waits.
	Oldest() (instant.Instant, error)
}

// ErrFull says that a queue has no room for telemetry, since all it holds are alarms.
var ErrFull = errors.New("the outbox is full of alarms that could not be delivered")

// The default bounds of a queue.
const (
	DefaultItems = 4096
	DefaultBytes = 4 << 20
	DefaultAge   = 7 * 24 * time.Hour
)
