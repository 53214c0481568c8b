// Package queue defines the outbox of a notifier: its items and its interface, which package store implements and package deliver
// uses, without knowing each other.
package queue

import (
	"errors"
	"time"

	"dewline/internal/core/instant"
)

// Class is whether an item may be given up when a queue is full.
type Class uint8

// The classes.
const (
	Telemetry Class = iota // may be dropped, the oldest first
	Alarm                  // is never dropped
)

// Item is a message that waits to go out.
type Item struct {
	// ID is its place in the queue, assigned by the queue. IDs count up and are never used again.
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

// Queue is the outbox of one notifier. Its methods may be called from any goroutine and must not wait for anything but a disk.
type Queue interface {
	// Add appends an item. It may give up telemetry to make room, and returns [ErrFull] if that does not help.
	Add(item Item) error
	// Next returns the oldest items whose ID is above after, in order, at most limit.
	Next(after uint64, limit int) ([]Item, error)
	// Done removes a delivered item. A missing item is no error.
	Done(id uint64)
	// Pending returns how many items wait.
	Pending() int
	// Oldest returns the time of the oldest waiting item; [instant.None] when nothing waits.
	Oldest() instant.Instant
}

// ErrFull is returned for telemetry if a full queue holds only alarms.
var ErrFull = errors.New("the outbox is full of alarms that could not be delivered")

// The default bounds of a queue.
const (
	DefaultItems = 4096
	DefaultBytes = 4 << 20
	DefaultAge   = 7 * 24 * time.Hour
)
