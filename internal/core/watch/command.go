package watch

import (
	"fmt"
	"strings"

	"dewline/internal/core/calibration"
	"dewline/internal/core/cohort"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// command carries out a command. One that asks for the present state changes nothing.
func (c *Core) command(at instant.Instant, cmd *Command, out []Effect) []Effect {
	switch cmd.Verb {
	case BeginCohort, SetStage, MoveCohort, CountCohort, EndCohort, DoTask:
		return c.aboutAnimals(at, cmd, out)
	case Calibrate, ReplaceSensor:
		return c.aboutSensors(at, cmd, out)
	case RecordMist, WriteNote:
		return c.recordNote(at, cmd, out)
	case Report:
		return c.report(at, cmd, out)
	}
	a, problem := c.findAlarm(cmd)
	if problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	c.touch(a)
	was := a.Letter
	switch cmd.Verb {
	case Acknowledge:
		if a.Occurrence == "" {
			return c.Refuse(at, cmd, a.name+" has never been raised", out)
		}
		return c.act(a, isa.Acknowledge, journal.AlarmAcknowledged, at, cmd, out)
	case Reset:
		return c.act(a, isa.Reset, journal.AlarmReset, at, cmd, out)
	case Repeat:
		// A value that is back inside only waits for its off-delay: "still too warm" would be false.
		if a.kind.critical() && c.returning(a) || a.apply(isa.Realarm) != isa.Changed {
			return out
		}
		a.Repeats++
		e := c.alarmEntry(a, journal.AlarmRepeated, at, was)
		if a.point >= 0 && a.kind != onStale && c.points[a.point].Zone != UnknownZone {
			e.Value = quantity.Known(c.points[a.point].Value)
		}
		if len(cmd.Notifiers) > 0 {
			e.By, e.Reason, e.Notifiers = cmd.By, cmd.Reason, cmd.Notifiers
		}
		return record(a, was, e, out)
	case Remind:
		if a.Active || !a.Letter.Waits() {
			return c.Refuse(at, cmd, fmt.Sprintf("%s is %s", a.name, InWords(a.Letter)), out)
		}
		e := c.alarmEntry(a, journal.AlarmReminded, at, was)
		ended := a.Cleared
		e.Until, e.By, e.Notifiers = &ended, cmd.By, cmd.Notifiers
		return record(a, was, e, out)
	case Shelve:
		return c.shelve(a, at, cmd, out)
	case Unshelve:
		if a.ShelfUntil.IsNone() {
			return out
		}
		return c.unshelve(a, at, cmd.By, cmd.Reason, out)
	case OutOfService:
		a.Service = true
		return c.act(a, isa.Disable, journal.AlarmDisabled, at, cmd, out)
	case InService:
		a.Service = false
		return c.act(a, isa.Enable, journal.AlarmEnabled, at, cmd, out)
	}
	return c.Refuse(at, cmd, fmt.Sprintf("unknown verb %q", cmd.Verb), out)
}

// findAlarm finds the alarm of a command by its name or by the identity of an occurrence.
func (c *Core) findAlarm(cmd *Command) (*alarm, string) {
	name := cmd.Alarm
	if name == "" {
		name, _, _ = strings.Cut(cmd.Occurrence, "@")
	}
	index, ok := c.byName[name]
	if !ok {
		return nil, fmt.Sprintf("there is no alarm %q", name)
	}
	a := &c.alarms[index]
	if cmd.Occurrence != "" && cmd.Occurrence != a.Occurrence {
		if a.Occurrence == "" {
			return nil, fmt.Sprintf("%s has never been raised", a.name)
		}
		return nil, fmt.Sprintf("%s is not the current event of that alarm, which is %s", cmd.Occurrence, a.Occurrence)
	}
	return a, ""
}

// act applies a plain action and records it.
func (c *Core) act(a *alarm, what isa.Action, kind journal.Kind, at instant.Instant, cmd *Command, out []Effect) []Effect {
	was := a.Letter
	switch a.apply(what) {
	case isa.Refused:
		why := fmt.Sprintf("%s is %s", a.name, InWords(a.Letter))
		if a.Letter == isa.SuppressedByDesign {
			why = fmt.Sprintf("%s is covered by %s, which is the alarm to see to", a.name, a.DesignBy)
		}
		return c.Refuse(at, cmd, why, out)
	case isa.Unchanged:
		return out
	}
	e := c.alarmEntry(a, kind, at, was)
	e.By, e.Reason = cmd.By, cmd.Reason
	return c.alarmChanged(a, at, record(a, was, e, out))
}

func (c *Core) shelve(a *alarm, at instant.Instant, cmd *Command, out []Effect) []Effect {
	length := cmd.For
	if length == 0 {
		length = DefaultShelf
	}
	maxLength := MaxShelf
	if a.kind == onCriticalHigh || a.kind == onCriticalLow {
		maxLength = MaxCriticalShelf
	}
	if length < 0 || length > maxLength {
		return c.Refuse(at, cmd, fmt.Sprintf("%s may be shelved for at most %s", a.name, maxLength), out)
	}
	if a.Letter == isa.OutOfService {
		return c.Refuse(at, cmd, a.name+" is out of service", out)
	}
	until, was := at.Add(length), a.Letter
	a.ShelfUntil, a.ShelfReason = until, cmd.Reason
	a.apply(isa.Shelve)
	c.deadline = instant.None
	e := c.alarmEntry(a, journal.AlarmShelved, at, was)
	e.Until, e.By, e.Reason = &until, cmd.By, cmd.Reason
	return c.alarmChanged(a, at, record(a, was, e, out))
}

func (c *Core) unshelve(a *alarm, at instant.Instant, by, reason string, out []Effect) []Effect {
	was := a.Letter
	a.ShelfUntil, a.ShelfReason = instant.None, ""
	a.apply(isa.Unshelve)
	if a.Letter == isa.Unacknowledged && was == isa.Shelved {
		a.Repeats++
	}
	e := c.alarmEntry(a, journal.AlarmUnshelved, at, was)
	e.By, e.Reason = by, reason
	return c.alarmChanged(a, at, record(a, was, e, out))
}

// recordNote adds a misting or a note to the journal. Their time is when they happened. A note that corrects an entry withdraws it.
func (c *Core) recordNote(at instant.Instant, cmd *Command, out []Effect) []Effect {
	if cmd.Place != "" {
		if problem := c.unknownPlace(cmd.Place); problem != "" {
			return c.Refuse(at, cmd, problem, out)
		}
	}
	kind := journal.Note
	if cmd.Verb == RecordMist {
		kind = journal.Misting
		if cmd.Place == "" {
			return c.Refuse(at, cmd, "a misting must name its place", out)
		}
	} else if cmd.Text == "" {
		return c.Refuse(at, cmd, "a note must have a text", out)
	}
	if problem := c.inTheFuture(at, cmd); problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	when := cmd.since(at)
	if kind == journal.Note && c.sensors.Has(cmd.Corrects) {
		return c.withdrawSensor(at, cmd, out)
	}
	said := cohort.Entry{
		Seq: c.seq + 1, Run: c.run, At: when, Since: when, Kind: kind, Cohort: cmd.Cohort, Place: cmd.Place, Count: cohort.NotCounted, Corrects: cmd.Corrects,
	}
	if problem := c.record.Refusal(&said, c.date); problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	e := c.newEntry(kind, when)
	e.Place, e.Cohort, e.Text, e.By, e.Reason, e.Corrects = cmd.Place, cmd.Cohort, cmd.Text, cmd.By, cmd.Reason, cmd.Corrects
	if cmd.For > 0 {
		until := when.Add(cmd.For)
		e.Until = &until
	}
	said.ID = e.ID()
	if kind == journal.Misting {
		c.misted(cmd.Place, when)
	}
	out = append(out, Effect{Kind: Record, Point: -1, Entry: e})
	return c.putOnRecord(at, said, out)
}

// withdrawSensor takes an entry about a sensor back by a note.
func (c *Core) withdrawSensor(at instant.Instant, cmd *Command, out []Effect) []Effect {
	e := calibration.Entry{Seq: c.seq + 1, At: at, Since: at, Kind: journal.Note, Sensor: cmd.Sensor, Corrects: cmd.Corrects}
	if problem := c.sensors.Refusal(&e); problem != "" {
		return c.Refuse(at, cmd, problem, out)
	}
	return c.recordSensor(at, e, cmd, out)
}

// report adds an entry about the alarms themselves to the journal. It changes no alarm.
func (c *Core) report(at instant.Instant, cmd *Command, out []Effect) []Effect {
	switch cmd.Kind {
	case journal.FloodBegan, journal.FloodEnded, journal.Summary, journal.Chattering, journal.Fleeting, journal.Frequent, journal.DailyDigest, journal.NotifierTest, journal.TestTaken, journal.Lost:
	default:
		return c.Refuse(at, cmd, fmt.Sprintf("%q is no kind of report", cmd.Kind), out)
	}
	e := c.newEntry(cmd.Kind, at)
	e.Alarm, e.Priority, e.Text, e.By, e.Reason, e.Notifiers = cmd.Alarm, cmd.Priority.String(), cmd.Text, cmd.By, cmd.Reason, cmd.Notifiers
	e.Since, e.Occurrence = cmd.Since, cmd.Occurrence
	return append(out, Effect{Kind: Record, Point: -1, Entry: e})
}

// Refuse refuses a command that cannot be carried out, and records the refusal.
func (c *Core) Refuse(at instant.Instant, cmd *Command, why string, out []Effect) []Effect {
	e := c.newEntry(journal.CommandRefused, at)
	e.Alarm, e.Occurrence, e.Cohort, e.Stage, e.Place = cmd.Alarm, cmd.Occurrence, cmd.Cohort, cmd.Stage, cmd.Place
	e.By, e.Reason, e.Text = cmd.By, why, string(cmd.Verb)
	return append(out, Effect{Kind: Refused, Point: -1, Entry: e})
}

// InWords says in which state an alarm is.
func InWords(state isa.State) string { return inWords[state] }

var inWords = map[isa.State]string{
	isa.Normal:                 "normal",
	isa.Unacknowledged:         "active and not acknowledged",
	isa.Acknowledged:           "active and acknowledged",
	isa.ReturnedUnacknowledged: "over and not acknowledged",
	isa.LatchedUnacknowledged:  "latched and not acknowledged",
	isa.LatchedAcknowledged:    "latched and acknowledged",
	isa.Shelved:                "shelved",
	isa.SuppressedByDesign:     "suppressed by design",
	isa.OutOfService:           "out of service",
}

// Stop records that the run has ended in good order.
func (c *Core) Stop(at instant.Instant) []Effect {
	return []Effect{{Kind: Record, Point: -1, Entry: c.newEntry(journal.RunStopped, at)}}
}

// Configured records that a new configuration is in force.
func (c *Core) Configured(at instant.Instant) []Effect {
	return []Effect{{Kind: Record, Point: -1, Entry: c.newEntry(journal.ConfigChanged, at)}}
}
