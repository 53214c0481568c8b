// Package chain is the measuring chain of a site (JCGM 200:2012, 3.10) from sample to notification: line, core and rules, and the
// order in which they hear of what happens. The daemon runs it, and the proving ground scores the very same. Like the core it is
// pure: time comes in with each call, and nothing in it waits, reads a clock or writes.
//
//	c := chain.Chain{Rules: notify.New(rules)}
//	c.Configure(site, run)                         // a new core
//	err := c.Core.Restore(state)                   // what is on record of earlier runs: the last state,
//	c.Resume(entries)                              // the journal,
//	c.Recall(reading)                              // and each reading after it
//	c.Step(watch.Event{Kind: watch.StartEvent, …}) // the run begins,
//	c.Line = line                                  // and sensors are read
//	outcome, err := c.Take(sample)
//	c.Tick(now)
//	work := c.Work()                               // and carry it out
//
// What comes of a call waits in the chain until it is asked for, so that the work of several calls can be carried out in one: each
// write to a card takes its time.
package pipeline

import (
	"fmt"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/core/intake"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/sensors"
)

// Chain is line, core and rules of a site. Its owner may ask each of them, and tells them what happens by the methods of the chain.
// It belongs to one goroutine.
type Pipeline struct {
	Line  *intake.Line // nil while no sensor is read
	Core  *watch.Core  // made by [Chain.Configure]
	Rules *notify.Rules

	sensors map[string]sensor // by id
	work    Ready
	spent   Ready // was given out last
}

// sensor is a sensor of the core and the points it feeds, which are found sooner among these few than by name.
type sensor struct {
	index int32
	feeds []feed // in the order of its channels
}

type feed struct {
	channel string
	point   quantity.Point
	index   int32
}

// Work is what is to be carried out. Entries among the effects are recorded before anybody hears of them; then the deliveries
// are told.
type Ready struct {
	Effects    []watch.Effect // of the core, in their order
	Deliveries []notify.Delivery
}

// Configure puts a site in force, around a new core. What line and rules remember stays.
func (c *Pipeline) Configure(site watch.Site, run string) {
	c.Core = watch.New(site, run)
	c.sensors = map[string]sensor{}
	for i := range site.Sensors {
		s := sensor{index: int32(i)}
		for _, channel := range site.Sensors[i].Channels {
			index, ok := c.Core.Index(channel.Feeds)
			if !ok {
				index = -1
			}
			s.feeds = append(s.feeds, feed{channel.Name, channel.Feeds, index})
		}
		c.sensors[site.Sensors[i].ID] = s
	}
}

// Sensor returns the index of a sensor in the core.
func (c *Pipeline) Sensor(id string) (int32, bool) {
	s, ok := c.sensors[id]
	return s.index, ok
}

// Take handles what a sensor gave or failed to give. The outcome is valid until the next call.
func (c *Pipeline) Take(s intake.Sample) (intake.Outcome, error) {
	outcome, err := c.Line.Take(s)
	if err != nil {
		return outcome, err
	}
	from, ok := c.sensors[s.Sensor]
	if !ok {
		return outcome, fmt.Errorf("a sample of the sensor %q, which the core does not know", s.Sensor)
	}
	c.report(&from, outcome.Reports, true)
	for i := range outcome.Readings {
		r := &outcome.Readings[i]
		for k := range from.feeds {
			if f := &from.feeds[k]; f.point == r.Point && f.index >= 0 {
				c.fold(watch.Event{At: r.At, Point: f.index, Value: r.Value, Flag: r.Flag})
			}
		}
	}
	c.report(&from, outcome.Reports, false) // after its readings: the end of a fault must not uncover a stale alarm that they end too
	return outcome, nil
}

// report folds in what is said of a sensor and its channels: what has failed, or what has not.
func (c *Pipeline) report(from *sensor, reports []intake.Report, failed bool) {
	for i := range reports {
		r := &reports[i]
		if (r.Failure != "") != failed {
			continue
		}
		ev := watch.Event{Kind: watch.SensorEvent, At: r.At, Sensor: from.index, Failure: r.Failure, Flag: quantity.Missing}
		if r.Kind == sensors.Implausible {
			ev.Flag = quantity.Fail
		}
		if r.Channel != "" {
			ev.Channel = 1 + int32(slices.IndexFunc(from.feeds, func(f feed) bool { return f.channel == string(r.Channel) }))
		}
		c.fold(ev)
	}
}

// Tick lets time pass, and asks the core for what the rules want of it by then.
func (c *Pipeline) Tick(now instant.Instant) {
	c.fold(watch.Event{Kind: watch.TickEvent, At: now})
	for _, command := range c.Rules.Due(now) {
		c.fold(watch.Event{Kind: watch.CommandEvent, At: now, Command: &command})
	}
}

// Step folds in an event that comes neither of a sample nor of a [Chain.Tick]: a command, the start of a run, a step of the clock,
// a report of something that is watched like a sensor. Line and rules hear first of what concerns their memory. A
// [watch.TickEvent] lets time pass without a question to the rules: at the end of a run, and where nobody is to be told.
func (c *Pipeline) Step(ev watch.Event) {
	switch ev.Kind {
	case watch.StartEvent:
		c.Rules.Sync(c.Core.Alarms(), ev.At)
	case watch.ClockStepEvent:
		if c.Line != nil {
			c.Line.Shift(ev.By)
		}
		c.Rules.Shift(ev.By)
	}
	c.fold(ev)
}

// Resume lets the rules know what the journal has of earlier runs, the oldest entry first: everything since the oldest alarm that is
// active was raised, as far as it is there.
func (c *Pipeline) Resume(entries []*journal.Entry) { c.Rules.Resume(entries) }

// Recall folds in a reading that is on record beyond the state that the core was restored from. The ticks between them are not
// on record: time passes where that matters.
func (c *Pipeline) Recall(reading watch.Event) {
	if c.Core.Due(reading.At) {
		c.fold(watch.Event{Kind: watch.TickEvent, At: reading.At})
	}
	c.fold(reading)
}

// Pass takes in effects that the core had otherwise: of a refusal, of the end of a run.
func (c *Pipeline) Pass(effects []watch.Effect) {
	known := len(c.work.Effects)
	c.work.Effects = append(c.work.Effects, effects...)
	c.consult(known)
}

// fold lets the core step.
func (c *Pipeline) fold(ev watch.Event) {
	known := len(c.work.Effects)
	c.work.Effects = c.Core.Step(ev, c.work.Effects)
	c.consult(known)
}

// consult asks the rules what is to be told because of the effects after those that they know.
func (c *Pipeline) consult(known int) {
	for i := known; i < len(c.work.Effects); i++ {
		c.work.Deliveries = append(c.work.Deliveries, c.Rules.Effect(&c.work.Effects[i])...)
	}
}

// Work returns what is to be carried out because of everything since the last call. It is valid until the next one.
func (c *Pipeline) Ready() Ready {
	clear(c.spent.Effects)
	clear(c.spent.Deliveries)
	c.work, c.spent = Ready{c.spent.Effects[:0], c.spent.Deliveries[:0]}, c.work
	return c.spent
}
