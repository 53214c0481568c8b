package watch

import (
	"math"
	"slices"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// The day as it usually is: lights, heating and mistings follow the local clock.
const (
	usualDays  = 7
	usualSlots = 96 // of a local day: a quarter of an hour each
	slotLength = 24 * 60 / usualSlots
	minUsual   = 1 // days on which a slot must have been seen: even one tells a morning from an event
)

// usual learns what a point does at each time of the day. It holds the mean value of each slot of the last seven local days; what is
// usual is their median, which one odd day does not move.
type usual struct {
	Day   int64   `json:"day"`  // local day that is being learned, counted from 1970
	Slot  int     `json:"slot"` // of it
	Sum   float64 `json:"sum"`  // of the values in it
	Count int     `json:"count"`
	Days  trace   `json:"days,omitempty"`
}

// trace holds the means of the slots, day after day, in steps of the quantity; unseen where there is none. Each has two bytes, the
// lower one first, so that JSON holds them as text.
type trace []byte

const unseen = math.MinInt16

// stepOf returns the step in which a mean is kept.
func stepOf(q quantity.Quantity) float64 {
	switch q {
	case quantity.VapourPressureDeficit:
		return 1
	case quantity.Pressure:
		return 10
	case quantity.AbsoluteHumidity, quantity.OxygenSaturation:
		return 1e-6
	}
	return 0.01
}

func (t trace) at(i int) int16 { return int16(uint16(t[2*i]) | uint16(t[2*i+1])<<8) }

func (t trace) set(i int, v int16) { t[2*i], t[2*i+1] = byte(v), byte(uint16(v)>>8) }

func (u *usual) valid() bool {
	return u.Slot >= 0 && u.Slot < usualSlots && finite(u.Sum) && u.Count >= 0 && (len(u.Days) == 0 || len(u.Days) == 2*usualDays*usualSlots) &&
		u.Day > -1e6 && u.Day < 1e6
}

// learn takes in a value at a local time and reports whether a day has ended, so that what is usual has changed.
func (u *usual) learn(day int64, minute float64, v, step float64) (ended bool) {
	slot := int(minute) / slotLength
	if u.Day != day || u.Slot != slot {
		u.keep(step)
		if u.Day != day {
			u.begin(day)
			ended = true
		}
		u.Slot = slot
	}
	u.Sum += v
	u.Count++
	return ended
}

// keep writes the mean of the slot that is over.
func (u *usual) keep(step float64) {
	if u.Count > 0 && u.Days != nil {
		mean := math.Round(u.Sum / float64(u.Count) / step)
		u.Days.set(row(u.Day)+u.Slot, int16(min(max(mean, unseen+1), math.MaxInt16)))
	}
	u.Sum, u.Count = 0, 0
}

// begin forgets what is seven days old.
func (u *usual) begin(day int64) {
	if u.Days == nil {
		u.Days = make(trace, 2*usualDays*usualSlots)
		for i := range usualDays * usualSlots {
			u.Days.set(i, unseen)
		}
	}
	for d := max(u.Day+1, day-usualDays+1); d <= day; d++ {
		for i := range usualSlots {
			u.Days.set(row(d)+i, unseen)
		}
	}
	u.Day = day
}

// row returns where a day begins in the trace.
func row(day int64) int { return int((day%usualDays+usualDays)%usualDays) * usualSlots }

// course is the usual day: the median of each slot, NaN where it is not known.
type course [usualSlots]float64

// course returns the usual day. The day that is being learned counts for nothing yet.
func (u *usual) course(step float64) (c course) {
	for slot := range c {
		var seen [usualDays]int16
		n := 0
		for d := range usualDays {
			if len(u.Days) == 0 || d*usualSlots == row(u.Day) {
				continue
			}
			if v := u.Days.at(d*usualSlots + slot); v != unseen {
				seen[n] = v
				n++
			}
		}
		c[slot] = math.NaN()
		if n >= minUsual {
			slices.Sort(seen[:n])
			c[slot] = (float64(seen[(n-1)/2]) + float64(seen[n/2])) / 2 * step
		}
	}
	return c
}

// span returns the lowest and the highest value of the usual day; false where no day is known.
func (c *course) span() (low, high float64, known bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range c {
		if v < low {
			low = v
		}
		if v > high {
			high = v
		}
	}
	return low, high, low <= high
}

// What is usual may come so many slots sooner or later, and end further by a share of how much it moves then: a conditioner switches on at
// another moment each morning, and half of its mornings end beyond their median. Engineering judgement, no published source.
const (
	usualShift = 4
	usualExtra = 0.25
)

// about returns the range of what is usual at about a local minute of the day; NaN where it is not known.
func (c *course) about(minute float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for k := -usualShift; k <= usualShift; k++ {
		v := c[(int(minute)/slotLength+k+usualSlots)%usualSlots]
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

// at returns the usual value at a local minute of the day, or of the next one, by a line between the middles of the slots.
func (c *course) at(minute float64) float64 {
	place := minute/slotLength - 0.5 + usualSlots
	whole := math.Floor(place)
	share := place - whole
	i := int(whole)
	return c[i%usualSlots]*(1-share) + c[(i+1)%usualSlots]*share
}

// localTime returns the local day, counted from 1970, and the minute of it that a clock on the wall shows. The offset of the zone is
// looked up when it changes.
func (c *Core) localTime(at instant.Instant) (day int64, minute float64) {
	if c.zoneUntil.IsNone() || at < c.zoneFrom || at >= c.zoneUntil {
		t := at.Time().In(c.site.Location)
		_, offset := t.Zone()
		start, end := t.ZoneBounds()
		c.zoneOffset, c.zoneFrom, c.zoneUntil = int64(offset)*1e9, minTime, maxTime
		if !start.IsZero() {
			c.zoneFrom = max(minTime, instant.Of(start))
		}
		if !end.IsZero() {
			c.zoneUntil = min(maxTime, instant.Of(end))
		}
	}
	const length = int64(24 * 60 * 60 * 1e9)
	local := int64(at) + c.zoneOffset
	day = local / length
	if local%length < 0 {
		day--
	}
	return day, float64(local-day*length) / 60e9
}
