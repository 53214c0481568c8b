package deliver

import "dewline/internal/deliver/queue"

// The types of the queue, which the store implements without knowing this package.
type (
	// Item is a message that waits to go out.
	Item = queue.Item
	// Queue is the outbox of one notifier.
	Queue = queue.Queue
)

// The classes.
const (
	Telemetry = queue.Telemetry
	Alarm     = queue.Alarm
)
