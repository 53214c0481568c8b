// Package pipeline is the measuring chain of a site (JCGM 200:2012, 3.10) from sample to notification: it joins the line, the core
// and the notification rules, and passes each event to them in the right order. The daemon, replay and the trials run the same
// pipeline. Like the core it is pure: times come in with the calls, and nothing in it waits, reads a clock or writes.
//
//	p := pipeline.Pipeline{Rules: notify.New(rules)}
//	p.Configure(site, run)                         // a new core
//	err := p.Core.Restore(state)                   // from earlier runs: the last saved state,
//	p.Resume(entries)                              // the journal,
//	p.ReplayReading(reading)                       // and each reading after that state
//	p.Step(watch.Event{Kind: watch.StartEvent, …}) // the run begins
//	p.Line = line
//	outcome, err := p.Take(sample)
//	p.Tick(now)
//	ready := p.Ready()                             // carry it out
//
// Effects and deliveries collect in the pipeline until [Pipeline.Ready] returns them, so that those of several calls can be
// written to storage at once: each write to an SD card is slow.
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

// Pipeline joins line, core and rules of a site. Its owner may read from each of them, but passes events in only by the methods of
// the pipeline. It is used by one goroutine.
type Pipeline struct {
	Line  *intake.Line // nil while no sensor is read
	Core  *watch.Core  // made by [Pipeline.Configure]
	Rules *notify.Rules

	sensors      map[string]sensor // by id
	lined        *intake.Line      // the line that knows which channels are erratic, and their calibrations
	calibrations int               // the number of those of the core that the line knows
	ready        Ready
	spent        Ready // was given out last
}

// sensor is a sensor of the core with the points it feeds: searching these few is faster than a lookup by name.
type sensor struct {
	index int32
	feeds []feed // in the order of its channels
}

type feed struct {
	channel string
	point   quantity.Point
	index   int32
}

// Ready is what the caller has to carry out, in this order: first the effects, whose entries must be durable, then the deliveries.
type Ready struct {
	Effects    []watch.Effect // of the core, in their order
	Deliveries []notify.Delivery
}

// Configure puts a site in force with a new core. Line and rules keep their state.
func (c *Pipeline) Configure(site watch.Site, run string) {
	c.Core = watch.New(site, run)
	if c.Rules != nil {
		c.Rules.Site(&site)
	}
	c.sensors, c.calibrations = map[string]sensor{}, -1
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

// Take handles one sample of a sensor, good or failed. The outcome is valid until the next call.
func (c *Pipeline) Take(s intake.Sample) (intake.Outcome, error) {
	if states, changed := c.Core.Calibrations(); c.lined != c.Line || c.calibrations != changed {
		c.calibrations = changed
		c.Line.Recalibrate(states)
	}
	if c.lined != c.Line {
		c.lined = c.Line
		for _, channel := range c.Core.UnsteadyChannels() {
			c.Line.Distrust(channel.Sensor, channel.Feeds, instant.Of(s.At))
		}
	}
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
	c.report(&from, outcome.Reports, false) // after the readings: the end of a fault must not uncover a stale alarm that they end as well
	return outcome, nil
}

// report folds in the reports on a sensor and its channels: the failures, or the good ones.
func (c *Pipeline) report(from *sensor, reports []intake.Report, failed bool) {
	for i := range reports {
		r := &reports[i]
		if (r.Failure != "") != failed {
			continue
		}
		ev := watch.Event{Kind: watch.SensorEvent, At: r.At, Sensor: from.index, Failure: r.Failure, Flag: quantity.Missing, Unsteady: r.Unsteady}
		if r.Kind == sensors.Implausible {
			ev.Flag = quantity.Fail
		}
		if r.Channel != "" {
			ev.Channel = 1 + int32(slices.IndexFunc(from.feeds, func(f feed) bool { return f.channel == string(r.Channel) }))
		}
		c.fold(ev)
	}
}

// Tick folds in the passing of time, and passes the commands of the rules that are due to the core.
func (c *Pipeline) Tick(now instant.Instant) {
	c.fold(watch.Event{Kind: watch.TickEvent, At: now})
	for _, command := range c.Rules.Due(now) {
		c.fold(watch.Event{Kind: watch.CommandEvent, At: now, Command: &command})
	}
}

// Step folds in an event that comes neither from a sample nor from [Pipeline.Tick]: a command, the start of a run, a step of the
// clock, a report on something that is watched like a sensor. Line and rules first adjust their remembered times. A
// [watch.TickEvent] passes time without asking the rules what is due: at the end of a run, and where nothing is sent.
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

// Resume restores the state of the rules from the journal of earlier runs, oldest entry first. The entries should reach back to the
// raise of the oldest alarm that is active.
func (c *Pipeline) Resume(entries []*journal.Entry) {
	c.Core.ForgetFailures()
	c.Rules.Resume(entries)
}

// ReplayReading folds in a stored reading that is newer than the state the core was restored from. Ticks are not stored: one is
// inserted before the reading where it has an effect.
func (c *Pipeline) ReplayReading(reading watch.Event) {
	if c.Core.Seen(&reading) {
		return
	}
	if c.Core.Due(reading.At) {
		c.fold(watch.Event{Kind: watch.TickEvent, At: reading.At})
	}
	c.fold(reading)
}

// AddEffects takes in effects that the caller got from the core directly, such as those of a refusal or of the end of a run.
func (c *Pipeline) AddEffects(effects []watch.Effect) {
	known := len(c.ready.Effects)
	c.ready.Effects = append(c.ready.Effects, effects...)
	c.applyRules(known)
}

// fold passes an event to the core.
func (c *Pipeline) fold(ev watch.Event) {
	known := len(c.ready.Effects)
	c.ready.Effects = c.Core.Step(ev, c.ready.Effects)
	c.applyRules(known)
}

// applyRules collects the deliveries of the effects from index known on.
func (c *Pipeline) applyRules(known int) {
	for i := known; i < len(c.ready.Effects); i++ {
		c.ready.Deliveries = append(c.ready.Deliveries, c.Rules.Effect(&c.ready.Effects[i])...)
	}
}

// Ready returns what has to be carried out since the last call. It is valid until the next call.
func (c *Pipeline) Ready() Ready {
	clear(c.spent.Effects)
	clear(c.spent.Deliveries)
	c.ready, c.spent = Ready{c.spent.Effects[:0], c.spent.Deliveries[:0]}, c.ready
	return c.spent
}
