package watch

import (
	"cmp"
	"math"

	"dewline/internal/core/instant"
	"dewline/internal/core/misting"
	"dewline/internal/core/quantity"
)

// mister follows the mistings of an enclosure by its humidity and its air temperature. It has two alarms on the humidity: a notice that
// a misting was missed, and one that the mister is stuck.
type mister struct {
	place           *Place
	humidity        int32             // the point
	missed, stuck   int32             // the alarms
	record          []instant.Instant // of its mistings, so far as it is known already and still to come
	misting.Tracker                   // survives a restart
}

// addMisters adds a mister for each enclosure whose humidity and air temperature are measured. Whether it is one that mists, its schedule
// or the journal must say: until then it has no alarms.
func (c *Core) addMisters() {
	for i := range c.points {
		p := &c.points[i]
		place := c.places[p.name.Place]
		air, measured := c.index[quantity.Point{Place: place.ID, Quantity: quantity.AirTemperature}]
		if p.name.Quantity != quantity.RelativeHumidity || place.Room || !measured {
			continue
		}
		m := &mister{place: place, humidity: int32(i), record: c.site.Misted[place.ID], Tracker: misting.NewTracker()}
		m.missed, m.stuck = c.addMisterAlarm(m, onMissedMisting), c.addMisterAlarm(m, onStuckMister)
		p.mister, c.points[air].mister = m, m
		c.misters = append(c.misters, m)
	}
}

func (c *Core) addMisterAlarm(m *mister, kind alarmKind) int32 {
	name := c.points[m.humidity].name
	a := alarm{
		name: name.String() + "/" + kind.String(), kind: kind, place: name.Place, quantity: name.Quantity.String(), point: m.humidity, fault: -1,
		alarmMemory: newAlarmMemory(),
	}
	a.notice = kind == onMissedMisting
	c.byName[a.name] = len(c.alarms)
	c.alarms = append(c.alarms, a)
	return int32(len(c.alarms)) - 1
}

// mists reports whether there is a mister.
func (m *mister) mists() bool { return len(m.place.Mistings) > 0 || m.Mister }

// followMister folds a reading of the humidity or the air temperature of an enclosure into its mister.
func (c *Core) followMister(m *mister, i int32, at instant.Instant, v float64, out []Effect) []Effect {
	if i != m.humidity {
		m.Temperature(at, v)
		return out
	}
	for len(m.record) > 0 && m.record[0] <= at {
		m.Misted(m.record[0])
		m.record = m.record[1:]
	}
	if !m.Humidity(at, v) {
		return out
	}
	m.Judge(misting.Rules{
		Schedule: m.place.Mistings, Location: c.site.Location, Timed: !c.doubt.Any(), Trusted: c.silencing(i) < 0 && c.doubtOfPoint(i) == "",
	})
	missed := !m.Missing.IsNone() && m.mists()
	out = c.settleMister(m.missed, missed, m.Missing, at, v, out)
	since, stuck := m.Stuck(cmp.Or(m.place.StuckMisterAfter, misting.StuckAfter))
	// What has begun goes on until the air is no longer saturated: a silence ends neither it nor the alarm.
	stuck = stuck && m.mists() || c.alarms[m.stuck].Active && (m.Plateau.On || v >= misting.WetPct)
	return c.settleMister(m.stuck, stuck, since, at, v, out)
}

// settleMister raises or clears an alarm of a mister.
func (c *Core) settleMister(index int32, holds bool, since, at instant.Instant, v float64, out []Effect) []Effect {
	a := &c.alarms[index]
	switch {
	case holds && !a.Active:
		return c.raise(a, occurrence{since: since, at: at, value: v, setpoint: math.NaN(), extreme: math.NaN(), priority: a.kind.priority()}, out)
	case !holds && a.Active:
		return c.clear(a, at, v, out)
	}
	return out
}

// misted takes in a misting that was written down while the clock is right.
func (c *Core) misted(place string, at instant.Instant) {
	for _, m := range c.misters {
		if m.place.ID == place && !c.doubt.Any() {
			m.Misted(at)
		}
	}
}
