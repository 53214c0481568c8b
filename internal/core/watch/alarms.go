package watch

import (
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// alarmKind is the kind of condition that an alarm is on. The first four are the limits, in the order of care.Limit.
type alarmKind uint8

const (
	onCriticalLow alarmKind = iota
	onLow
	onHigh
	onCriticalHigh
	onStale
	onRising
	onFalling
	alarmsPerPoint

	onFault alarmKind = alarmsPerPoint // one per sensor and one per channel, beside those of the points

	onMissedMisting alarmKind = onFault + 1 // of an enclosure, on its humidity, as the next
	onStuckMister   alarmKind = onFault + 2
)

// String returns the last level of the alarm's name.
func (k alarmKind) String() string {
	return [...]string{"critical-low", "low", "high", "critical-high", "stale", "rising", "falling", "fault", "missed-misting", "stuck-mister"}[k]
}

// priority returns the priority of an alarm that is not on a limit of a band.
func (k alarmKind) priority() care.Priority {
	switch k {
	case onFault:
		return care.HighPriority
	case onMissedMisting: // it can wait for the next visit: where it matters, a limit of the humidity calls sooner
		return care.LowPriority
	}
	return care.MediumPriority
}

// limit reports whether the alarm is on one of the band's limits.
func (k alarmKind) limit() bool { return k <= onCriticalHigh }

// critical reports whether the alarm is on one of the two critical limits.
func (k alarmKind) critical() bool { return k.limit() && care.Limit(k).Critical() }

// The length of a shelf when the command gives none, and the longest allowed ones. Proposals, no published source.
const (
	DefaultShelf     = 30 * time.Minute
	MaxShelf         = 12 * time.Hour
	MaxCriticalShelf = 2 * time.Hour
)

// alarm is one alarm of the site.
type alarm struct {
	name     string
	kind     alarmKind
	place    string
	quantity string // the sensor's id for faults
	channel  string // of the sensor, for the fault of one
	point    int32  // −1 for faults
	fault    int32  // index in Core.faults; −1 for points
	alarmMemory
}

// alarmMemory is the part of an alarm that survives a restart.
type alarmMemory struct {
	lifecycle
	Occurrence  string          `json:"occurrence,omitempty"`
	Priority    care.Priority   `json:"priority,omitempty"`
	Since       instant.Instant `json:"since"`
	Raised      instant.Instant `json:"raised"`
	Cleared     instant.Instant `json:"cleared"`
	Setpoint    *float64        `json:"setpoint,omitempty"`
	Extreme     *float64        `json:"extreme,omitempty"`
	Repeats     int             `json:"repeats,omitempty"`
	Reason      string          `json:"reason,omitempty"`
	ShelfReason string          `json:"shelf_reason,omitempty"` // why it is shelved; "" when it is not
	Names       []string        `json:"names,omitempty"`

	Expected *journal.Expectation `json:"expected,omitempty"` // of an outlook alarm: when its limit will be met
}

func newAlarmMemory() alarmMemory {
	return alarmMemory{
		lifecycle: lifecycle{Letter: isa.Normal, ShelfUntil: instant.None},
		Since:     instant.None, Raised: instant.None, Cleared: instant.None,
	}
}

// newEntry begins a journal entry.
func (c *Core) newEntry(kind journal.Kind, at instant.Instant) *journal.Entry {
	c.seq++
	return &journal.Entry{Seq: c.seq, Run: c.run, At: at, Kind: kind}
}

// alarmEntry begins a journal entry about an alarm.
func (c *Core) alarmEntry(a *alarm, kind journal.Kind, at instant.Instant, was isa.State) *journal.Entry {
	c.touch(a)
	e := c.newEntry(kind, at)
	e.Alarm, e.Occurrence = a.name, a.Occurrence
	e.State, e.Was = a.Letter, was
	e.Priority = a.Priority.String()
	if a.point >= 0 {
		e.Unit = c.points[a.point].name.Quantity.Unit().Symbol()
		e.Place = a.place
		e.Doubt = c.doubtOf(a)
	}
	if a.Setpoint != nil {
		e.Setpoint = quantity.Known(*a.Setpoint)
	}
	if a.Extreme != nil { // a copy, since the alarm's own keeps changing
		e.Extreme = quantity.Known(*a.Extreme)
	}
	if !a.Since.IsNone() {
		since := a.Since
		e.Since = &since
	}
	if a.DesignBy != "" {
		e.By = a.DesignBy
	}
	e.Names, e.Repeats, e.Expected = a.Names, a.Repeats, a.Expected
	return e
}

// record appends the entry, and the call for a person if the alarm has just become unacknowledged.
func record(a *alarm, was isa.State, e *journal.Entry, out []Effect) []Effect {
	out = append(out, Effect{Kind: Record, Point: a.point, Entry: e})
	if a.Letter == isa.Unacknowledged && (was != isa.Unacknowledged || e.Kind == journal.AlarmRepeated || e.Kind == journal.AlarmWorsened) {
		out = append(out, Effect{Kind: Notify, Point: a.point, Entry: e})
	}
	return out
}

// occurrence describes the raise of an alarm.
type occurrence struct {
	since, at instant.Instant
	value     float64 // NaN where there is none
	setpoint  float64 // NaN where there is none
	extreme   float64 // NaN where there is none
	priority  care.Priority
	reason    string
	expected  *journal.Expectation
}

// raise makes an alarm active: a new occurrence with its own identity.
func (c *Core) raise(a *alarm, o occurrence, out []Effect) []Effect {
	was := a.Letter
	c.deadline = instant.None // a fault whose point has an active alarm calls sooner
	a.Since, a.Raised, a.Cleared = o.since, o.at, instant.None
	a.Occurrence = a.name + "@" + o.at.String()
	a.Priority, a.Repeats, a.Reason = o.priority, 0, o.reason
	a.Setpoint, a.Extreme = quantity.Known(o.setpoint), quantity.Known(o.extreme)
	a.Names, a.Expected = nil, o.expected
	if c.roomAlarm(a) {
		a.Names = c.inside[a.place]
	}
	if a.point >= 0 && a.DesignBy == "" { // it may not have existed when its suppression began
		if a.DesignBy = c.suppressor(a); a.DesignBy != "" {
			a.lifecycle.apply(isa.Suppress)
		}
	}
	a.lifecycle.apply(isa.Raise)
	e := c.alarmEntry(a, journal.AlarmRaised, o.at, was)
	e.Value, e.Reason = quantity.Known(o.value), o.reason
	out = record(a, was, e, out)
	c.activeCount++
	return c.alarmChanged(a, o.at, out)
}

// clear ends the condition of an alarm.
func (c *Core) clear(a *alarm, at instant.Instant, value float64, out []Effect) []Effect {
	was := a.Letter
	a.Cleared, a.Expected = at, nil
	a.lifecycle.apply(isa.Clear)
	e := c.alarmEntry(a, journal.AlarmCleared, at, was)
	e.Value = quantity.Known(value)
	out = record(a, was, e, out)
	c.activeCount--
	return c.alarmChanged(a, at, out)
}

// roomAlarm reports whether a covers the enclosures of its room.
func (c *Core) roomAlarm(a *alarm) bool {
	return a.kind == onCriticalHigh && a.point >= 0 &&
		c.points[a.point].name.Quantity == quantity.AirTemperature && len(c.inside[a.place]) > 0
}

// alarmChanged updates the suppression of other alarms after a change of one.
func (c *Core) alarmChanged(a *alarm, at instant.Instant, out []Effect) []Effect {
	if a.kind == onFault || c.roomAlarm(a) {
		return c.refreshSuppression(at, out)
	}
	return out
}

// refreshSuppression brings suppression by design up to date: a fault silences all but the critical alarms of the points that its
// channel or sensor alone feeds, and a room's critical-high that calls for a person silences the heat alarms of its enclosures. Room
// alarms are settled first, since one that is itself silenced covers no other.
func (c *Core) refreshSuppression(at instant.Instant, out []Effect) []Effect {
	for _, rooms := range [2]bool{true, false} {
		for i := range c.alarms {
			a := &c.alarms[i]
			if a.point < 0 || c.roomAlarm(a) != rooms {
				continue
			}
			if a.DesignBy != "" || c.exists(a) {
				out = c.cover(a, at, out)
			}
		}
	}
	return out
}

// cover brings the suppression by design of one alarm up to date. An alarm whose value is back inside its limit, and which only
// waits for its off-delay, stays covered until it clears or the limit is broken again: a notification would come too late.
func (c *Core) cover(a *alarm, at instant.Instant, out []Effect) []Effect {
	cause := c.suppressor(a)
	before, was := a.DesignBy, a.Letter
	if cause == before || cause == "" && c.returning(a) {
		return out
	}
	a.DesignBy = cause
	c.touch(a)
	switch {
	case before == "":
		a.lifecycle.apply(isa.Suppress)
		e := c.alarmEntry(a, journal.AlarmSuppressed, at, was)
		e.Reason = "covered by " + cause
		out = record(a, was, e, out)
	case cause == "":
		a.lifecycle.apply(isa.Unsuppress)
		if a.Letter == isa.Unacknowledged {
			a.Repeats++
		}
		e := c.alarmEntry(a, journal.AlarmReturned, at, was)
		e.Reason = "no longer covered by " + before
		out = record(a, was, e, out)
	}
	return out
}

// returning reports whether the condition of a limit alarm still holds though its value is back inside the limit.
func (c *Core) returning(a *alarm) bool {
	if !a.kind.limit() || !a.Active {
		return false
	}
	p := &c.points[a.point]
	return p.Zone != UnknownZone && !p.rules[a.kind].beyond(p.Value)
}

// suppressor returns the alarm that suppresses a by design now, "" for none.
func (c *Core) suppressor(a *alarm) string {
	if !a.kind.critical() {
		if f := c.silencing(a.point); f >= 0 {
			return c.alarms[c.faults[f].alarm].name
		}
	}
	heat := a.kind == onHigh || a.kind == onCriticalHigh || a.kind == onRising
	room := c.roomOf(a.place)
	if !heat || room == "" || !c.points[a.point].name.Quantity.IsTemperature() ||
		c.points[a.point].name.Quantity == quantity.DewPoint {
		return ""
	}
	if air, ok := c.Index(quantity.Point{Place: room, Quantity: quantity.AirTemperature}); ok {
		speaker := c.pointAlarm(air, onCriticalHigh)
		if speaker.Active && (speaker.Letter == isa.Unacknowledged || speaker.Letter == isa.Acknowledged) {
			return speaker.name
		}
	}
	return ""
}

// pointAlarm returns an alarm of a point.
func (c *Core) pointAlarm(point int32, kind alarmKind) *alarm {
	return &c.alarms[int(point)*int(alarmsPerPoint)+int(kind)]
}
