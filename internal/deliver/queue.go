package deliver

import "dewline/internal/deliver/queue"

// The types of the queue, which the store implements without knowing this package.
type (
	// Item is a message that waits to go out.
	Item = queue.Item
	// Class is whether an item may be given up when a queue is full.
	Class = queue.Class
	// Queue is the outbox of one notifier.
	Queue = queue.Queue
)

// The classes, and the error of a full queue.
const (
	Telemetry = queue.Telemetry
	Alarm     = queue.Alarm
)

// ErrFull is returned by a queue that has no room for telemetry.
var ErrFull = queue.ErrFull
