package watch

import (
	"math"

	"dewline/internal/instant"
	"dewline/internal/quantity"
)

// sensorMemory follows the reads of a sensor.
type sensorMemory struct {
	Failing   instant.Instant `json:"failing"`    // every read has failed since then; None when the last one was good
	Wrong     int             `json:"wrong"`      // reads in a row that gave a value known to be wrong
	Good      int             `json:"good"`       // good reads in a row
	GoodSince instant.Instant `json:"good_since"` // the first of them; meaningless while there is none
	Silences  bool            `json:"silences"`   // the alarms of what it feeds alone are held back
	Reason    string          `json:"reason,omitempty"`
}

// enoughGood is how many good reads in a row show that a sensor answers again.
const enoughGood = 2

// sensorReport follows the reads of a sensor. Two values in a row that are known to be wrong are a fault at once; other
// failures become one when they have lasted.
//
// Two good reads in a row end the silence of the alarms on what the sensor feeds, since from then on its values count. The fault
// itself is over only when reads have been good for the sensor's recovery time: a bad contact lets some reads through, and
// each of its pauses would be an alarm of its own.
func (c *Core) sensorReport(ev Event, out []Effect) []Effect {
	s := &c.sensors[ev.Sensor]
	if ev.Failure == "" {
		return c.goodRead(ev.Sensor, s, ev.At, out)
	}
	s.Good, s.Reason = 0, ev.Failure
	if s.Failing.IsNone() {
		s.Failing = ev.At
		c.deadline = instant.None
	}
	if ev.Flag == quantity.Fail {
		s.Wrong++
	} else {
		s.Wrong = 0
	}
	switch {
	case !c.alarms[c.faultAlarm(ev.Sensor)].Active:
		if s.Wrong >= 2 {
			out = c.raiseFault(ev.Sensor, ev.At, out)
		}
	case !s.Silences && (s.Wrong >= 2 || ev.At.Sub(s.Failing) >= c.site.Sensors[ev.Sensor].FaultAfter):
		s.Silences = true
		out = c.refreshSuppression(ev.At, out)
	}
	return out
}

func (c *Core) goodRead(sensor int32, s *sensorMemory, at instant.Instant, out []Effect) []Effect {
	s.Wrong = 0
	if s.Good++; s.Good == 1 {
		s.GoodSince = at
	}
	a := &c.alarms[c.faultAlarm(sensor)]
	if !a.Active {
		s.Failing = instant.None
		return out
	}
	if s.Good < enoughGood {
		return out
	}
	s.Failing = instant.None
	silenced := s.Silences
	s.Silences = false
	switch {
	case at.Sub(s.GoodSince) >= c.site.Sensors[sensor].Recovery:
		return c.clear(a, at, math.NaN(), out)
	case silenced:
		return c.refreshSuppression(at, out)
	}
	return out
}

// raiseFault raises the fault alarm of a sensor.
func (c *Core) raiseFault(sensor int32, at instant.Instant, out []Effect) []Effect {
	s := &c.sensors[sensor]
	s.Silences = true
	nan := math.NaN()
	return c.raise(&c.alarms[c.faultAlarm(sensor)], occurrence{
		since: s.Failing, at: at, value: nan, setpoint: nan, extreme: nan, priority: onFault.priority(), reason: s.Reason,
	}, out)
}
