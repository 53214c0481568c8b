package notify

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/quantity"
)

// The times of incidents: engineering judgement, no published source, checked in the trial.
const (
	// together is how long after its last raise, and after its end, an incident takes in further alarms of its cause.
	together = 30 * time.Minute
	// spoken is how long a message on a critical alarm of a room, and the end of that alarm, speak for its enclosures, which follow slowly:
	// a tub is hours behind the air.
	spoken = 2 * time.Hour
	// sameNight is how long after the messages on two enclosures a further place may call and still have the same cause. An animal room takes
	// hours to follow the weather; what comes later may be another thing.
	sameNight = 6 * time.Hour
	// spokenAgain is how long a message on a critical alarm speaks for its own place, should the alarm come back. It is short, since an
	// animal may not have longer.
	spokenAgain = 20 * time.Minute
	// minBetween is the shortest time between two messages on what is critical of an incident: a further place waits for the rest of it, or
	// comes as the next repetition.
	minBetween = 10 * time.Minute
)

// repeatsAfter are the times, after its first message, of the repetitions of what is critical and not acknowledged.
var repeatsAfter = [...]time.Duration{10 * time.Minute, 20 * time.Minute, 40 * time.Minute, 80 * time.Minute, 160 * time.Minute}

// incident is everything in one room that one cause explains, from the first alarm to the last return.
type incident struct {
	id      string // occurrence of its first alarm
	room    string // "" for sensors
	cause   string
	members map[string]bool            // names of all alarms that have called in it
	raised  instant.Instant            // the last time that one did
	ended   instant.Instant            // the last return; None while an alarm of it is active
	back    map[string]instant.Instant // by place: the last return of a critical alarm there
	limited bool                       // an alarm on a limit has called in it
	sent    map[string]*sentState
}

// sentState is what a notifier has sent of an incident.
type sentState struct {
	worst    care.Priority
	critical map[string]instant.Instant // by place: the last message on a critical alarm there
	// Of the running series of repetitions: when it began (None while nothing critical was sent), and how many there were.
	since   instant.Instant
	repeats int
	lost    bool            // the last message was given up: the next one is in its place
	last    instant.Instant // when it sent the last message on what is critical
	before  instant.Instant // and the one before that
}

func (n *incident) sentBy(notifier string) *sentState {
	t := n.sent[notifier]
	if t == nil {
		t = &sentState{critical: map[string]instant.Instant{}, since: instant.None, last: instant.None, before: instant.None}
		n.sent[notifier] = t
	}
	return t
}

func (n *incident) shift(by time.Duration) {
	instant.Shift(by, &n.raised, &n.ended)
	instant.ShiftEach(by, n.back)
	for _, t := range n.sent {
		instant.Shift(by, &t.since, &t.last, &t.before)
		instant.ShiftEach(by, t.critical)
	}
}

// The causes that several alarms of a room have in common.
const (
	hot     = "hot"
	cold    = "cold"
	dry     = "dry"
	damp    = "damp"
	sensors = "sensors"
)

// causeOf returns the room and the place that an alarm belongs to, and its cause.
func (r *Rules) causeOf(alarm string) (room, place, cause string) {
	point, limit := cutLast(alarm)
	place, what, _ := strings.Cut(point, "/")
	if place == journal.FaultPlace {
		id, _, _ := strings.Cut(what, "/")
		if r.apart[id] {
			return "", alarm, alarm
		}
		return "", place + "/" + id, sensors
	}
	if limit == "stale" {
		return "", place, sensors
	}
	room = place
	if in := r.roomOf[place]; in != "" {
		room = in
	}
	upper := limit == "high" || limit == "critical-high" || limit == "rising" || limit == "stuck-mister"
	q, err := quantity.Parse(what)
	if err != nil {
		return room, place, what + "/" + limit
	}
	above, below := what+" above", what+" below"
	switch q {
	case quantity.RelativeHumidity, quantity.AbsoluteHumidity, quantity.DewPoint:
		above, below = damp, dry
	case quantity.VapourPressureDeficit, quantity.CondensationMargin:
		above, below = dry, damp
	case quantity.OxygenSaturation: // computed: warm water can hold less
		above, below = cold, hot
	case quantity.WaterTemperature, quantity.AirTemperature, quantity.SurfaceTemperature:
		above, below = hot, cold
	}
	if upper {
		return room, place, above
	}
	return room, place, below
}

// cutLast splits a name before its last level.
func cutLast(alarm string) (point, limit string) {
	i := strings.LastIndexByte(alarm, '/')
	return alarm[:max(i, 0)], alarm[i+1:]
}

// join returns the incident that an alarm belongs to: one that is going on, or a new one. An alarm joins an incident of its room and
// cause if that has the same point, if one of the two is the room's own, or if the incident has grown within the last half hour.
func (r *Rules) join(alarm string, entry *journal.Entry) *incident {
	r.incidents = slices.DeleteFunc(r.incidents, func(n *incident) bool {
		return !n.ended.IsNone() && entry.At.Sub(n.ended) >= together
	})
	room, place, cause := r.causeOf(alarm)
	point, _ := cutLast(alarm)
	var found *incident
	for _, n := range r.incidents {
		if n.room == room && n.cause == cause && (n.id == entry.Incident || entry.Incident == "" && r.belongs(n, point, place, entry.At)) {
			found = n
			break
		}
	}
	if found == nil {
		found = &incident{id: entry.Occurrence, room: room, cause: cause, back: map[string]instant.Instant{}, members: map[string]bool{}, sent: map[string]*sentState{}}
		if entry.Incident != "" {
			found.id = entry.Incident
		}
		r.incidents = append(r.incidents, found)
	}
	found.members[alarm] = true
	found.raised, found.ended = entry.At, instant.None
	return found
}

func (r *Rules) belongs(n *incident, point, place string, at instant.Instant) bool {
	if at.Sub(n.raised) < together || n.cause != sensors && place == n.room {
		return true
	}
	for member := range n.members {
		of, _ := cutLast(member)
		_, where, _ := r.causeOf(member)
		switch {
		case of == point, n.cause == sensors && where == place:
			return true
		case n.cause != sensors && where == n.room:
			return true
		}
	}
	return false
}

// settle notes the end of an incident whose last alarm has returned.
func (r *Rules) settle(n *incident, at instant.Instant) {
	for member := range n.members {
		if s := r.alarms[member]; s != nil && s.incident == n {
			return
		}
	}
	n.ended = at
}

// audible reports whether a notifier sends an alarm of an incident so that it is heard. Below critical that is what is worse than all
// before it. A critical alarm is heard for each place, unless a message on the place or on its room speaks for it.
func (r *Rules) audible(rule *Rule, name string, s *alarmState, at instant.Instant) bool {
	t := s.incident.sentBy(rule.Notifier)
	if !critical(s.priority) {
		p, _ := care.ParsePriority(s.priority)
		return !s.frequent && (p > t.worst || t.worst == care.Unset)
	}
	_, place, _ := r.causeOf(name)
	if last, spoke := t.critical[place]; spoke && at.Sub(last) < spokenAgain || !t.last.IsNone() && at.Sub(t.last) < minBetween {
		return false
	}
	return !r.spokenFor(s.incident, t, place, s.called, at)
}

// spokenFor reports whether others speak for a critical alarm that has called since then: its room, or two enclosures of its room, since what
// two have in common is the room's doing. The room has no animals of its own, so that two enclosures speak for it as well. They speak while
// they are critical, and for a while after that, as it is not heard that they are no longer; enclosures only for what has
// called before that, and is behind. What has been repeated to the end and not acknowledged speaks for nothing new.
func (r *Rules) spokenFor(n *incident, t *sentState, place string, since, now instant.Instant) bool {
	if n.room == "" || !t.since.IsNone() && t.repeats >= len(repeatsAfter) {
		return false
	}
	enclosures := 0
	for other, heard := range t.critical {
		back, returned := n.back[other]
		lately := now.Sub(heard) < spoken || returned && now.Sub(back) < spoken
		switch {
		case other == place || !lately && !r.criticalAt(n, other):
		case other == n.room:
			return true
		case since.Sub(heard) >= sameNight: // it came much later, and may have a cause of its own
		case !returned || back < heard || back >= since || r.criticalAt(n, other):
			enclosures++
		}
	}
	return enclosures >= 2
}

// noteSpokenFor notes that two enclosures speak for their room: it is as good as heard, and speaks for all of them from then on, as it would
// had it been the first.
func (r *Rules) noteSpokenFor(rule *Rule, name string, s *alarmState, at instant.Instant) {
	n := s.incident
	t := n.sentBy(rule.Notifier)
	if _, place, _ := r.causeOf(name); place == n.room && r.spokenFor(n, t, place, s.called, at) {
		t.critical[place] = at
	}
}

// criticalAt reports whether a critical alarm of an incident is active at a place, or was so when that of its room began to cover it.
func (r *Rules) criticalAt(n *incident, place string) bool {
	for member := range n.members {
		s := r.alarms[member]
		if s == nil || s.incident != n || !critical(s.priority) || !s.letter.InAlarm() && s.letter != isa.SuppressedByDesign {
			continue
		}
		if _, at, _ := r.causeOf(member); at == place {
			return true
		}
	}
	return false
}

// noteHeard notes that a notifier has sent an alarm of an incident so that it is heard, and returns the other critical alarms of the
// incident that are active: a message on what is critical names them all, since the one that first did may have got lost on its way.
// A series of repetitions begins anew with a message on what is critical if the one before has ended, by an acknowledgement or with its
// last repetition. Within a series a message on a further place takes the place of the next repetition.
func (r *Rules) noteHeard(rule *Rule, name string, s *alarmState, at instant.Instant) (also []string) {
	t := s.incident.sentBy(rule.Notifier)
	p, _ := care.ParsePriority(s.priority)
	t.worst = max(t.worst, p)
	if !critical(s.priority) {
		return nil
	}
	also = r.alsoCritical(s.incident, name)
	_, place, _ := r.causeOf(name)
	t.critical[place] = at
	if at != t.last {
		if !t.lost {
			t.before = t.last
		}
		t.last = at
	}
	for _, other := range also {
		o := r.alarms[other]
		s.named[other] = o.occurrence
		if o.letter != isa.Unacknowledged {
			continue // it is named and known: should it come back, it is heard
		}
		_, place, _ := r.causeOf(other)
		t.critical[place] = at
		r.message(other, o, rule.Notifier, at)
		delete(o.held, rule.Notifier)
	}
	switch {
	case t.since.IsNone() || t.repeats >= len(repeatsAfter):
		t.since, t.repeats = at, 0
	case at > t.since && !t.lost:
		t.repeats++
	}
	t.lost = false
	return also
}

// alsoCritical returns the critical alarms of an incident that are active, but for one, in the order of their names.
func (r *Rules) alsoCritical(n *incident, but string) (names []string) {
	for member := range n.members {
		if s := r.alarms[member]; member != but && s != nil && s.incident == n && critical(s.priority) && s.letter.InAlarm() {
			names = append(names, member)
		}
	}
	slices.Sort(names)
	return names
}

// acknowledge lets the acknowledgement of one alarm count for more of its incident: below critical for all that has called before it,
// of what is critical for what the messages on that alarm have named, and for the enclosures if it is that of their room. A message on
// another place may not have reached the keeper. What is critical is acknowledged by a critical alarm only.
func (r *Rules) acknowledge(name string, s *alarmState, at instant.Instant) {
	n := s.incident
	if n == nil {
		return
	}
	all := critical(s.priority)
	_, place, _ := r.causeOf(name)
	for member := range n.members {
		m := r.alarms[member]
		if m == nil || m.incident != n {
			continue
		}
		m.covered = m.covered || !critical(m.priority) || all && (place == n.room || s.named[member] == m.occurrence)
	}
	if !all {
		return
	}
	for notifier, t := range n.sent {
		if _, open := r.leader(n, notifier, at); !open {
			t.since, t.repeats = instant.None, 0
		}
	}
}

// dueInIncident reports whether the notifier should send an alarm of an incident at a time up to tolerance after now, and why.
func (r *Rules) dueInIncident(rule *Rule, name string, s *alarmState, now instant.Instant, tolerance time.Duration) (Reason, bool) {
	if s.incident == nil || s.letter != isa.Unacknowledged || s.acknowledged || s.covered || rule.quiet(s.priority, now) {
		return Again, false
	}
	_, sent := s.notified[rule.Notifier]
	t := s.incident.sentBy(rule.Notifier)
	switch {
	case s.held[rule.Notifier] == holdRetry:
		return Late, now >= s.retries[rule.Notifier].at
	case !sent && rule.After > 0:
		return Escalated, (now.Sub(s.called) >= rule.After || r.unreachable(name, s.priority)) && r.audible(rule, name, s, now) && !r.seenTo(name, s, now)
	case s.held[rule.Notifier] != 0:
		return Late, r.audible(rule, name, s, now)
	case !critical(s.priority):
		return Again, false
	case !sent && r.audible(rule, name, s, now):
		return Late, true
	case t.since.IsNone() || t.repeats >= len(repeatsAfter):
		return Again, false
	}
	if leader, _ := r.leader(s.incident, rule.Notifier, now); leader != name {
		return Again, false
	}
	due := max(t.since.Add(repeatsAfter[t.repeats]), t.last.Add(minBetween))
	return Again, now >= due.Add(-tolerance)
}

// seenTo reports whether others speak for an alarm to a notifier that is heard first, and have been acknowledged: its silence is no reason
// to call the next person.
func (r *Rules) seenTo(name string, s *alarmState, now instant.Instant) bool {
	_, place, _ := r.causeOf(name)
	for i := range r.rules {
		first := &r.rules[i]
		t := s.incident.sent[first.Notifier]
		if t != nil && !first.Every && first.After == 0 && t.since.IsNone() && r.spokenFor(s.incident, t, place, s.called, now) {
			return true
		}
	}
	return false
}

// leader returns the alarm that the next repetition of an incident is about: the first critical one by name that waits for a person, one
// that the notifier has not sent before all others; one that others speak for, the room before its enclosures, only where those do not wait any
// more, because they are over or the room covers them. Open means that an alarm of which a message was sent, or will be, waits for
// an acknowledgement.
func (r *Rules) leader(n *incident, notifier string, now instant.Instant) (name string, open bool) {
	fresh, behind := false, ""
	for member := range n.members {
		s := r.alarms[member]
		if s == nil || s.incident != n || !critical(s.priority) || s.acknowledged || s.covered {
			continue
		}
		_, sent := s.notified[notifier]
		_, place, _ := r.causeOf(member)
		switch {
		case s.letter == isa.SuppressedByDesign:
			open = open || sent
		case s.letter != isa.Unacknowledged:
		case !sent && r.spokenFor(n, n.sentBy(notifier), place, s.called, now):
			if _, best, _ := r.causeOf(behind); behind == "" || place == n.room || best != n.room && member < behind {
				behind = member
			}
		default:
			open = true
			if name == "" || !sent && !fresh || sent != fresh && member < name {
				name, fresh = member, !sent
			}
		}
	}
	return cmp.Or(name, behind), open
}
