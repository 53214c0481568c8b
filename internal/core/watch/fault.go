package watch

import (
	"fmt"
	"math"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// fault is the state of a sensor, which may not answer, of one of its channels, whose values may be wrong, or of a component.
type fault struct {
	id       string        // "loft-air", or "loft-air/humidity" for a channel
	of       string        // the sensor's or component's id
	channel  bool          // it is that of a channel
	feeds    []Channel     // what it concerns; none of a component
	after    time.Duration // that it may fail without a break
	recovery time.Duration // for how long its reads must be good
	alarm    int32
	faultMemory
}

// faultMemory follows the reads of a sensor or of a channel, or the reports on a component.
type faultMemory struct {
	Failing   instant.Instant `json:"failing"`    // every read has failed since then; None when the last one was good
	Wrong     int             `json:"wrong"`      // reads in a row that gave a value known to be wrong
	Good      int             `json:"good"`       // good reads in a row
	GoodSince instant.Instant `json:"good_since"` // the first of them; meaningless while there is none
	Silences  bool            `json:"silences"`   // suppresses alarms: see [Core.silencing]
	Reason    string          `json:"reason,omitempty"`
	Unsteady  bool            `json:"unsteady,omitempty"` // it comes and goes: it is over only after unsteadyRecovery
	Called    instant.Instant `json:"called"`             // when it was raised to the priority that calls for a person; None if never
}

// feeder is a channel that feeds a point: the faults that concern it.
type feeder struct{ part, channel int32 }

// minGoodReads is how many good reads in a row show that a sensor answers again.
const minGoodReads = 2

// The times of faults: engineering judgement, no published source.
const (
	// unsteadyRecovery is how long a channel that was erratic, or differed from the others of its point, must be good.
	unsteadyRecovery = time.Hour
	// blindCalls is how long a point may be without a usable reading before the fault of its sensors calls for a person.
	blindCalls = 30 * time.Minute
	// sameCalls is how long a fault that has called does not call again, unless its point is without a usable reading for longBlind.
	sameCalls = 7 * 24 * time.Hour
	longBlind = 24 * time.Hour
)

// addFaults adds a fault and its alarm for each sensor and each of its channels, and for each component.
func (c *Core) addFaults() {
	for i := range c.site.Sensors {
		sensor := &c.site.Sensors[i]
		part := int32(len(c.faults))
		c.faultOf = append(c.faultOf, part)
		c.addFault(fault{id: sensor.ID, of: sensor.ID, feeds: sensor.Channels, after: sensor.FaultAfter, recovery: sensor.Recovery}, "")
		for k, channel := range sensor.Channels {
			if point, ok := c.index[channel.Feeds]; ok {
				c.points[point].feeders = append(c.points[point].feeders, feeder{part, int32(len(c.faults))})
			}
			c.addFault(fault{
				id: sensor.ID + "/" + channel.Name, of: sensor.ID, channel: true, feeds: sensor.Channels[k : k+1],
				after: sensor.FaultAfter, recovery: sensor.Recovery,
			}, channel.Name)
		}
	}
	c.ownFaults = int32(len(c.faults))
	for _, own := range c.site.Components {
		c.addFault(fault{id: own.ID, of: own.ID, after: own.FaultAfter}, "")
	}
}

// addFault adds a fault and its alarm; channel is the one that it is about, "" for none.
func (c *Core) addFault(f fault, channel string) {
	f.alarm, f.faultMemory = int32(len(c.alarms)), faultMemory{Failing: instant.None, Called: instant.None}
	a := alarm{
		name: journal.FaultPlace + "/" + f.id + "/" + onFault.String(), kind: onFault, place: journal.FaultPlace, quantity: f.of, channel: channel,
		point: -1, fault: int32(len(c.faults)), alarmMemory: newAlarmMemory(),
	}
	c.byName[a.name] = len(c.alarms)
	c.alarms, c.faults = append(c.alarms, a), append(c.faults, f)
}

// due returns when a failure that goes on becomes a fault.
func (f *fault) due() instant.Instant { return f.Failing.Add(f.after) }

// failure folds in a read of a sensor or of a channel, or how a component is. Two values in a row that are known to be wrong are a fault at once;
// other failures become one after FaultAfter.
//
// Two good reads in a row end the suppression of the alarms on the points it feeds. The fault itself ends only when reads have
// been good for the sensor's recovery time: a bad contact lets some reads through, and each of its pauses would otherwise be an
// alarm of its own.
func (c *Core) failure(index int32, ev Event, out []Effect) []Effect {
	f := &c.faults[index]
	if ev.Failure != "" || !c.steady(f) {
		c.touchFault(f)
	}
	if ev.Failure == "" {
		return c.goodRead(f, ev.At, out)
	}
	f.Good, f.Reason = 0, ev.Failure
	f.Unsteady = f.Unsteady || ev.Unsteady
	if f.Failing.IsNone() {
		f.Failing = ev.At
		c.deadline = instant.None
	}
	if ev.Flag == quantity.Fail {
		f.Wrong++
	} else {
		f.Wrong = 0
	}
	switch {
	case !c.alarms[f.alarm].Active:
		if f.Wrong >= 2 {
			out = c.raiseFault(index, ev.At, out)
		}
	case !f.Silences && (f.Wrong >= 2 || ev.At >= f.due()):
		f.Silences = true
		out = c.refreshSuppression(ev.At, out)
	}
	return out
}

// Steady reports whether a good read of a sensor's channel (0: of the sensor itself) would change nothing: it has not failed. Who replays a year
// need not pass on such reads.
func (c *Core) Steady(sensor, channel int32) bool {
	return c.steady(&c.faults[c.faultOf[sensor]+channel])
}

func (c *Core) steady(f *fault) bool {
	return f.Failing.IsNone() && !f.Unsteady && f.Wrong == 0 && !c.alarms[f.alarm].Active
}

func (c *Core) goodRead(f *fault, at instant.Instant, out []Effect) []Effect {
	f.Wrong = 0
	if f.Good++; f.Good == 1 {
		f.GoodSince = at
	}
	a := &c.alarms[f.alarm]
	if !a.Active {
		f.Failing, f.Unsteady = instant.None, false
		return out
	}
	if f.Good < minGoodReads {
		return out
	}
	f.Failing = instant.None
	silenced := f.Silences
	f.Silences = false
	switch {
	case at.Sub(f.GoodSince) >= f.mustRecover():
		f.Unsteady = false
		return c.clear(a, at, math.NaN(), out)
	case silenced:
		return c.refreshSuppression(at, out)
	}
	return out
}

// mustRecover returns for how long the reads of a fault must be good.
func (f *fault) mustRecover() time.Duration {
	if f.Unsteady {
		return max(f.recovery, unsteadyRecovery)
	}
	return f.recovery
}

// raiseFault raises the alarm of a fault. Where other sensors still deliver, or for the first half hour, it is a notice: see
// [Core.faultCalls].
func (c *Core) raiseFault(index int32, at instant.Instant, out []Effect) []Effect {
	f := &c.faults[index]
	f.Silences = true
	priority := faultNotice
	if c.faultCalls(f) <= at {
		priority, f.Called = onFault.priority(), at
	}
	nan := math.NaN()
	return c.raise(&c.alarms[f.alarm], occurrence{
		since: f.Failing, at: at, value: nan, setpoint: nan, extreme: nan, priority: priority, reason: f.Reason,
	}, out)
}

// faultNotice is the priority of a fault that does not call for a person, yet.
const faultNotice = care.MediumPriority

// faultCalls returns when a fault calls for a person: once a point that it feeds has been without a usable reading for
// blindCalls, and at once if an alarm on a limit of that point is active. A fault that feeds no point calls at once. One that has
// called within sameCalls does so only after longBlind.
func (c *Core) faultCalls(f *fault) instant.Instant {
	calls := instant.Instant(math.MaxInt64)
	for _, channel := range f.feeds {
		i, ok := c.index[channel.Feeds]
		if !ok {
			continue
		}
		p := &c.points[i]
		blind := p.Last
		if !p.Known || blind < p.Waiting {
			blind = p.Waiting
		}
		at := blind.Add(blindCalls)
		if c.blind(p) && c.limitActive(i) {
			at = blind
		}
		if again := f.Called.Add(sameCalls); !f.Called.IsNone() && at < again {
			at = max(at, min(again, blind.Add(longBlind)))
		}
		calls = min(calls, at)
	}
	if len(f.feeds) == 0 {
		return instant.None
	}
	return calls
}

// blind reports whether every sensor of a point fails.
func (c *Core) blind(p *point) bool {
	for _, by := range p.feeders {
		if c.faults[by.part].Failing.IsNone() && c.faults[by.channel].Failing.IsNone() {
			return false
		}
	}
	return true
}

// limitActive reports whether an alarm on a limit of a point is active and not silenced by a person.
func (c *Core) limitActive(point int32) bool {
	for kind := onCriticalLow; kind <= onCriticalHigh; kind++ {
		if a := c.pointAlarm(point, kind); a.Active && a.ShelfUntil.IsNone() && !a.Service {
			return true
		}
	}
	return false
}

// worsenFault gives an active fault the priority that calls for a person.
func (c *Core) worsenFault(index int32, at instant.Instant, out []Effect) []Effect {
	f := &c.faults[index]
	a := &c.alarms[f.alarm]
	was := a.Letter
	f.Called, a.Priority = at, onFault.priority()
	a.lifecycle.apply(isa.Realarm)
	e := c.alarmEntry(a, journal.AlarmWorsened, at, was)
	e.Reason = f.Reason
	return record(a, was, e, out)
}

// UnsteadyChannels returns the channels whose active fault comes and goes: erratic ones, and those that differ from the others of
// their point.
func (c *Core) UnsteadyChannels() (channels []UnsteadyChannel) {
	for i := range c.faults {
		if f := &c.faults[i]; f.channel && f.Unsteady && c.alarms[f.alarm].Active {
			channels = append(channels, UnsteadyChannel{f.of, f.feeds[0].Feeds})
		}
	}
	return channels
}

// UnsteadyChannel is a channel of a sensor, by the point that it feeds.
type UnsteadyChannel struct {
	Sensor string
	Feeds  quantity.Point
}

// raiseCauseOfStale raises the fault behind a point that is about to become stale, even before FaultAfter has passed: the fault
// covers the stale alarms of all points that the sensor alone feeds, so that there is one message instead of many.
func (c *Core) raiseCauseOfStale(p *point, at instant.Instant, out []Effect) []Effect {
	if len(p.feeders) != 1 {
		return out
	}
	for _, index := range [2]int32{p.feeders[0].part, p.feeders[0].channel} {
		f := &c.faults[index]
		switch {
		case f.Failing.IsNone() || f.Silences:
		case c.alarms[f.alarm].Active:
			f.Silences = true
			c.touchFault(f)
			return c.refreshSuppression(at, out)
		default:
			return c.raiseFault(index, at, out)
		}
	}
	return out
}

// recovering returns a text, to be appended to the reason of a fault, that its reads are good again.
func (f *fault) recovering() string {
	recovery := f.mustRecover()
	if f.channel {
		return fmt.Sprintf("; its values are good again, and its fault is over once they have been so for %s", recovery)
	}
	return fmt.Sprintf("; it answers again, and its fault is over once it has done so for %s", recovery)
}

// silencing returns the fault that suppresses the non-critical alarms of a point or of one of its inputs: that of the only channel
// or sensor that feeds it; −1 for none. Several sensors of a point may be in fault because they disagree, and then suppression
// would be wrong.
//
// A fault never suppresses a critical alarm. Readings that are known to be wrong raise none, so a critical alarm comes from
// readings that may be right: see [Core.doubtOf].
func (c *Core) silencing(point int32) int32 {
	p := &c.points[point]
	for _, input := range p.inputs {
		if f := c.silencing(input); f >= 0 {
			return f
		}
	}
	if len(p.feeders) != 1 {
		return -1
	}
	for _, f := range [2]int32{p.feeders[0].part, p.feeders[0].channel} {
		if c.faults[f].Silences {
			return f
		}
	}
	return -1
}

// doubtOf returns why an active alarm of a point may be wrong: the fault of the sensor behind it; "" if there is none.
func (c *Core) doubtOf(a *alarm) string {
	if a.point < 0 || !a.Active {
		return ""
	}
	return c.doubtOfPoint(a.point)
}

func (c *Core) doubtOfPoint(point int32) string {
	p := &c.points[point]
	for _, input := range p.inputs {
		if why := c.doubtOfPoint(input); why != "" {
			return why
		}
	}
	alone := len(p.feeders) == 1
	for _, by := range p.feeders {
		// Of several sensors those in fault are left out, unless it is not known which one is wrong: then the reading is suspect.
		if f := &c.faults[by.channel]; c.alarms[f.alarm].Active && (alone || p.Flag == quantity.Suspect) {
			return f.Reason
		}
		if f := &c.faults[by.part]; c.alarms[f.alarm].Active && alone {
			return f.Reason
		}
	}
	return ""
}
