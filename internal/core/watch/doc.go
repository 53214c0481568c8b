// Package watch is the core of dewline: a pure, deterministic fold from events to effects.
//
//	core := watch.New(site, run)
//	for event := range events {
//		effects = core.Step(event, effects[:0])
//		...
//	}
//
// It derives points (dew point, …), accounts for the exposure of each point, and runs the alarms of ISA-18.2. It does not judge
// readings (package quality) and does not send notifications (package notify).
//
// It owns no clock, no goroutine, no file and no socket. Time arrives inside events; the same events give the same
// effects, byte for byte, live and in replay, in one go or resumed from a snapshot.
package watch
