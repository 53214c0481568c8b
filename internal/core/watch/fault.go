package watch

import (
	"fmt"
	"math"
	"time"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// fault is the state of a sensor, which may not answer, or of one of its channels, whose values may be wrong.
type fault struct {
	id      string // "loft-air", or "loft-air/humidity" for a channel
	sensor  int32
	channel bool
	alarm   int32
	faultMemory
}

// faultMemory follows the reads of a sensor or of a channel.
type faultMemory struct {
	Failing   instant.Instant `json:"failing"`    // every read has failed since then; None when the last one was good
	Wrong     int             `json:"wrong"`      // reads in a row that gave a value known to be wrong
	Good      int             `json:"good"`       // good reads in a row
	GoodSince instant.Instant `json:"good_since"` // the first of them; meaningless while there is none
	Silences  bool            `json:"silences"`   // suppresses alarms: see [Core.silencing]
	Reason    string          `json:"reason,omitempty"`
}

// feeder is a channel that feeds a point: the faults that concern it.
type feeder struct{ part, channel int32 }

// minGoodReads is how many good reads in a row show that a sensor answers again.
const minGoodReads = 2

// addFaults adds a fault and its alarm for each sensor and each of its channels.
func (c *Core) addFaults() {
	for i := range c.site.Sensors {
		sensor := &c.site.Sensors[i]
		part := int32(len(c.faults))
		c.faultOf = append(c.faultOf, part)
		c.addFault(int32(i), "")
		for _, channel := range sensor.Channels {
			if point, ok := c.index[channel.Feeds]; ok {
				c.points[point].feeders = append(c.points[point].feeders, feeder{part, int32(len(c.faults))})
			}
			c.addFault(int32(i), channel.Name)
		}
	}
}

// addFault adds the fault of a sensor, or of one of its channels.
func (c *Core) addFault(sensor int32, channel string) {
	id := c.site.Sensors[sensor].ID
	f := fault{id: id, sensor: sensor, channel: channel != "", alarm: int32(len(c.alarms)), faultMemory: faultMemory{Failing: instant.None}}
	if f.channel {
		f.id += "/" + channel
	}
	a := alarm{
		name: FaultPlace + "/" + f.id + "/" + onFault.String(), kind: onFault, place: FaultPlace, quantity: id, channel: channel,
		point: -1, fault: int32(len(c.faults)), alarmMemory: newAlarmMemory(),
	}
	c.byName[a.name] = len(c.alarms)
	c.alarms, c.faults = append(c.alarms, a), append(c.faults, f)
}

// faultDue returns when a failure that goes on becomes a fault.
func (c *Core) faultDue(f *fault) instant.Instant {
	return f.Failing.Add(c.site.Sensors[f.sensor].FaultAfter)
}

// sensorReport folds in a read of a sensor or of a channel. Two values in a row that are known to be wrong are a fault at once;
// other failures become one after FaultAfter.
//
// Two good reads in a row end the suppression of the alarms on the points it feeds. The fault itself ends only when reads have
// been good for the sensor's recovery time: a bad contact lets some reads through, and each of its pauses would otherwise be an
// alarm of its own.
func (c *Core) sensorReport(ev Event, out []Effect) []Effect {
	index := c.faultOf[ev.Sensor] + ev.Channel
	f := &c.faults[index]
	if ev.Failure == "" {
		return c.goodRead(f, ev.At, out)
	}
	f.Good, f.Reason = 0, ev.Failure
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
	case !f.Silences && (f.Wrong >= 2 || ev.At >= c.faultDue(f)):
		f.Silences = true
		out = c.refreshSuppression(ev.At, out)
	}
	return out
}

func (c *Core) goodRead(f *fault, at instant.Instant, out []Effect) []Effect {
	f.Wrong = 0
	if f.Good++; f.Good == 1 {
		f.GoodSince = at
	}
	a := &c.alarms[f.alarm]
	if !a.Active {
		f.Failing = instant.None
		return out
	}
	if f.Good < minGoodReads {
		return out
	}
	f.Failing = instant.None
	silenced := f.Silences
	f.Silences = false
	switch {
	case at.Sub(f.GoodSince) >= c.site.Sensors[f.sensor].Recovery:
		return c.clear(a, at, math.NaN(), out)
	case silenced:
		return c.refreshSuppression(at, out)
	}
	return out
}

// raiseFault raises the alarm of a fault.
func (c *Core) raiseFault(index int32, at instant.Instant, out []Effect) []Effect {
	f := &c.faults[index]
	f.Silences = true
	nan := math.NaN()
	return c.raise(&c.alarms[f.alarm], occurrence{
		since: f.Failing, at: at, value: nan, setpoint: nan, extreme: nan, priority: onFault.priority(), reason: f.Reason,
	}, out)
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
			return c.refreshSuppression(at, out)
		default:
			return c.raiseFault(index, at, out)
		}
	}
	return out
}

// recovering returns a text, to be appended to the reason of a fault, that its reads are good again.
func (f *fault) recovering(recovery time.Duration) string {
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
