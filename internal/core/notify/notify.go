// Package notify decides which notifier sends a notification about an alarm, when it repeats it, and when it reports the end of
// the alarm. Like the core it is pure: times come in with the calls, deliveries and commands go out, and nothing reads a clock.
// It sends nothing itself: package deliver does.
//
//	rules := notify.New([]notify.Rule{
//		{Notifier: "webhook", Priorities: []care.Priority{care.HighPriority, care.CriticalPriority}, Repeat: 15 * time.Minute},
//		{Notifier: "mail", After: 20 * time.Minute},
//	})
//	rules.Resume(entries)                          // the journal of the last days, oldest first: after a start
//	rules.Sync(core.Alarms(), now)                 // after a start and after each new configuration
//	for _, effect := range effects {               // of the core, in their order
//		for _, delivery := range rules.Effect(&effect) { … }
//	}
//	for _, command := range rules.Due(now) { … }   // at each tick: into the core, whose effects come back here
//
// The state of the rules is a fold of the journal: an action of theirs that no effect of the core has caused, such as a summary,
// first goes to the core as a command and comes back as an entry. So [Rules.Resume] restores the whole state after a restart,
// and no notification is sent a second time.
//
// # Incidents
//
// An incident is everything in one room that one cause explains (heat, cold, dryness, damp, sensors that fail), from the first alarm to
// the last return. An alarm joins one that is going on if it is on the same side of the same point, if one of the two is the room's
// own, or if the incident has grown within the last half hour. The entries carry its identity ([journal.Entry.Incident]), and what
// was not heard is on record as such ([journal.Entry.Silent]). A notifier is heard:
//
//   - at the first alarm of the incident that it takes, and at each that is worse than all before it
//   - at a critical alarm of each place, unless others speak for it: its room, whose own critical alarm was heard, and is active or was so or
//     was heard within two hours; or two enclosures of its room, which speak in the same way for what calls within six hours after the
//     messages on them and before their end, and make their room as good as heard. One that comes back within twenty minutes of its message
//     waits for the rest of them, and a further place within ten minutes of the last message for the rest of those, or it comes as the next
//     repetition
//   - again after 10, 20, 40, 80 and 160 minutes, while something critical of it is active and not acknowledged. A message on
//     a further place is the next of these
//   - at the end of a shelf, since a person has asked for it
//   - at a fault that becomes worse: see package watch
//   - once more where something critical has ended without an acknowledgement of it or of its room after a single message on what is critical since two hours before
//     it, which may have got lost, or before its own: an hour after the last message of its incident, or at the end if that is later, with how long it lasted
//     ([journal.AlarmReminded]). An acknowledgement before then cancels it
//
// A message on what is critical names all that is critical in its incident ([journal.Entry.Also]): a message may get lost on its way, and
// the next one makes up for it.
//
// An acknowledgement counts for all alarms of the incident up to then, for the critical ones only if it is that of a critical one whose
// messages have named them, or that of their room. What
// else happens, the end included, goes to notifiers that can update an incident without a sound ([Rule.Updates]), as [Delivery.Silent].
//
// A notifier with an After time joins when an alarm that it would send has been active and unacknowledged for that long, and from
// then on in the same way; not for one that makes no sound since others speak for it, once those have been acknowledged.
//
// An alarm on a band that is the first on a limit of an incident for the third time in seven days goes silent until it has stayed away for
// a week: a [journal.Frequent] in its place asks to compare the probe, and again after one, two and four weeks while that goes on. For five
// weeks after such a message twice in seven days are enough. That silences no critical alarm.
//
// # Every alarm
//
// With [Rule.Every] a notifier knows no incidents.
//
// Call: each [watch.Notify] of the core is sent, by a notifier that takes its priority and has no After time.
//
// Escalated: a notifier with an After time sends only if the alarm has been active and unacknowledged for that long and is not
// silenced. The core is asked to alarm again, and the entry names the notifier.
//
// Again: while the alarm is active and the rule repeats, the core is asked to alarm again ([watch.Repeat]). The repetition is
// recorded and counted, an acknowledged alarm becomes unacknowledged again (re-alarming, as in OPC 10000-9), and only the
// notifiers whose interval has passed send. Repetition ends when the condition ends, and at the first acknowledgement unless
// the rule says "cleared".
//
// Over: each notifier that sent a call reports once that the condition has ended.
//
// In either style an alarm that is shelved, out of service or suppressed by design causes no notification. A person who shelves an
// alarm or takes it out of service knows of it, so its end is not sent either.
//
// # What is held back
//
// Quiet hours hold back low and medium alarms; high and critical ones are always sent at once. When the quiet hours end, each
// alarm that is still active and unacknowledged is sent once, and one [journal.Summary] lists in a line the alarms that came
// and went, and those that ended after a call sent before the quiet hours.
//
// In a flood (package nuisance; each alarm counts once in a bin) a notifier sends one summary at the end of each ten-minute bin
// instead of a message per alarm, and nothing is repeated; critical alarms are still sent one by one. The first ten alarms are
// sent before the flood is recognised. The first alarm of a point that does not belong to the flood is sent at once: a further
// point belongs to it only where five or more points have the same kind of alarm.
//
// The end of a rising or falling alarm is not sent when the value has reached the limit that it predicted.
//
// # What does not get through
//
// When a notifier gives up a message ([journal.Lost]) and its alarm is still active and unacknowledged, another one is sent after
// one minute, then two, up to a quarter of an hour. An escalation does not wait while none of the notifiers before it delivers.
//
// With [Rule.Every] an alarm that chatters (package nuisance) calls through each notifier at most once in ten minutes, unless it is
// critical. Chatter
// and fleeting alarms are recorded in the journal, and sent once a day through the notifiers that take low alarms.
//
// # Tests
//
// Once a week, at the configured hour, a [journal.NotifierTest] is sent, since a notifier that is hardly ever used fails
// unnoticed. If no program ran at that hour the test is left out: a message at an odd hour only alarms people.
//
// # The day
//
// Once a day, at the configured hour, a [journal.DailyDigest] goes to the notifiers that take low alarms at once, in their quiet hours
// as well, since the keeper has chosen the hour. If no program ran then it is sent up to six hours late. Its text is made elsewhere:
// [Rules.DailyDue] says when.
//
// Notifiers for machines, such as the MQTT event topic, get every entry without these rules. Only their tests are planned here.
package notify

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// Cleared as [Rule.Until] makes repetition outlast the acknowledgement.
const Cleared = "cleared"

// By is the author of the commands that these rules send to the core.
const By = "notify"

// repeatTolerance is how much before its time a notifier may repeat together with one that is due, so that the two share one
// re-alarm. It is limited to a tenth of the repeat interval.
const repeatTolerance = 30 * time.Second

// Rule says which alarms one notifier sends, and when. Each notifier has exactly one.
type Rule struct {
	Notifier string // its name
	// Priorities that it takes; empty means all.
	Priorities []care.Priority
	// After is how long an alarm must stay unacknowledged before this notifier sends; 0 means at once.
	After time.Duration
	// Every makes the notifier send every alarm, its repetitions and its end, instead of one incident after the other.
	Every bool
	// Updates means that the notifier can update an incident without a sound: what is not heard is delivered, too.
	Updates bool
	// Repeat is the interval at which an active alarm is sent again, with Every; 0 means never.
	Repeat time.Duration
	// Until is [Cleared], or anything else for: until it is acknowledged.
	Until string // with Every
	// Quiet holds the quiet hours of low and medium alarms: its day is the quiet time. nil means none.
	Quiet *care.Light
	// Except is an alarm that this notifier never sends: the one that reports that this notifier itself does not deliver.
	Except string
}

// Weekly asks for a weekly test of a notifier, which need not have a [Rule].
type Weekly struct {
	Notifier string
	At       instant.Weekly
}

// Reason is why a delivery is made.
type Reason uint8

// The reasons.
const (
	Call      Reason = iota // a person is needed
	Again                   // still
	Over                    // the condition has ended
	Escalated               // the alarm is still unacknowledged after Rule.After
	Late                    // it was held back and is still active
	Digest                  // a summary
	Advice                  // an alarm is a nuisance
	Test                    // a test notification
	Day                     // what a keeper has to know once a day
)

// String returns the reason in words.
func (w Reason) String() string {
	return [...]string{"call", "again", "over", "escalated", "late", "digest", "advice", "test", "day"}[w]
}

// Delivery asks a notifier to send an entry.
type Delivery struct {
	Notifier string
	Reason   Reason
	Entry    *journal.Entry
	Silent   bool // it updates an incident, and needs no sound
}

// Written returns the entry as this notifier sends it: what is heard by one may be an update for another.
func (d *Delivery) Written() *journal.Entry {
	if d.Entry.Silent == d.Silent {
		return d.Entry
	}
	written := *d.Entry
	written.Silent = d.Silent
	return &written
}

// Rules follow the alarms of a site. They belong to one goroutine.
type Rules struct {
	rules        []Rule
	rooms        map[string]bool
	roomOf       map[string]string      // room of an enclosure
	apart        map[string]bool        // what has faults and feeds no point: each has incidents of its own
	alarms       map[string]*alarmState // by name; only active ones
	incidents    []*incident            // those that can still grow, the oldest first
	frequent     map[string]*frequency  // by the alarm's name
	unadvised    map[string]bool        // frequent alarms whose advice is to be recorded
	reminders    map[string]*reminder   // by the alarm's name: owed on what is over
	flood        flood
	floodDigests map[string]*digest       // by notifier: its summary at the end of the bin
	quietDigests map[string]*digest       // by notifier: its summary at the end of its quiet hours
	chatter      map[string]*chatterState // by the alarm's name
	weekly       []Weekly
	daily        *instant.Daily
	digested     instant.Instant            // time of the last digest of the day
	tested       map[string]instant.Instant // by notifier: time of its last test
	// unsettled is the part of chatter that has a stay to judge or an entry to record. It is mostly empty, while chatter grows with
	// every alarm that ever called: Due, which runs each second, goes through unsettled only.
	unsettled map[string]*chatterState
}

// alarmState is the notification state of one active alarm.
type alarmState struct {
	occurrence   string
	priority     string
	letter       isa.State
	acknowledged bool                       // since it called last
	raised       instant.Instant            // from its entry; None if that has not been seen
	called       instant.Instant            // when it began to call for a person
	notified     map[string]instant.Instant // by notifier: when it sent the alarm last
	held         map[string]holdReason      // by notifier: why it sends later, if the alarm is still active then
	messages     map[string]int             // by notifier: how many messages on the alarm it has sent, or that named it, and not given up
	lastEntry    map[string]string          // by notifier: id of the entry that it sent last
	retries      map[string]retry           // by notifier: its next try after a message that it gave up
	reached      bool                       // of an outlook alarm: its limit has been reached since
	incident     *incident                  // nil until it calls
	covered      bool                       // an acknowledgement of another alarm of the incident counts for it
	known        bool                       // it was acknowledged or covered before it called last, of the same occurrence
	named        map[string]string          // occurrences of other critical alarms that messages on this one have named, by alarm
	frequent     bool                       // it has come too often to be heard
}

// holdReason is why a notifier does not send yet.
type holdReason uint8

const (
	_           holdReason = iota
	holdQuiet              // until the quiet hours end
	holdChatter            // until a chattering alarm may call again
	holdRetry              // until the next try after a message that was given up
)

// retry says when the next message is sent after one that was given up.
type retry struct {
	times int
	at    instant.Instant
}

// The waiting times after a message that was given up: they double.
const (
	firstRetry = time.Minute
	maxRetry   = 15 * time.Minute
)

func newAlarmState(occurrence string, at instant.Instant) *alarmState {
	return &alarmState{
		occurrence: occurrence, raised: instant.None, called: at,
		notified: map[string]instant.Instant{}, messages: map[string]int{}, held: map[string]holdReason{}, lastEntry: map[string]string{}, retries: map[string]retry{},
		named: map[string]string{},
	}
}

// shift moves all remembered times by a step of the clock.
func (s *alarmState) shift(by time.Duration) {
	instant.Shift(by, &s.raised, &s.called)
	instant.ShiftEach(by, s.notified)
	for notifier, again := range s.retries {
		again.at = again.at.Add(by)
		s.retries[notifier] = again
	}
}

// New returns rules that know of no alarm.
func New(notifiers []Rule) *Rules {
	return &Rules{
		rules: slices.Clone(notifiers), alarms: map[string]*alarmState{}, flood: noFlood(),
		floodDigests: map[string]*digest{}, quietDigests: map[string]*digest{}, chatter: map[string]*chatterState{}, unsettled: map[string]*chatterState{},
		reminders: map[string]*reminder{}, tested: map[string]instant.Instant{}, frequent: map[string]*frequency{}, unadvised: map[string]bool{}, digested: instant.None,
	}
}

// Configure puts other rules in force. Call [Rules.Sync] afterwards. A new notifier that repeats sends the unacknowledged alarms
// at once.
func (r *Rules) Configure(notifiers []Rule) {
	r.rules = slices.Clone(notifiers)
	for _, digests := range []map[string]*digest{r.floodDigests, r.quietDigests} {
		maps.DeleteFunc(digests, func(notifier string, _ *digest) bool {
			return !slices.ContainsFunc(notifiers, func(rule Rule) bool { return rule.Notifier == notifier })
		})
	}
}

// Daily sets when the digest of the day is sent; nil means never.
func (r *Rules) Daily(at *instant.Daily) { r.daily = at }

// Tests sets when notifiers are tested.
func (r *Rules) Tests(weekly []Weekly) { r.weekly = slices.Clone(weekly) }

// Site sets which places are rooms, which enclosures are in them, and whose faults concern no point: those of components, and of sensors that feed none.
func (r *Rules) Site(site *watch.Site) {
	r.rooms, r.roomOf, r.apart = map[string]bool{}, map[string]string{}, map[string]bool{}
	for i := range site.Places {
		place := &site.Places[i]
		r.rooms[place.ID], r.roomOf[place.ID] = place.Room, place.In
	}
	for i := range site.Components {
		r.apart[site.Components[i].ID] = true
	}
	for i := range site.Sensors {
		if s := &site.Sensors[i]; len(s.Channels) == 0 {
			r.apart[s.ID] = true
		}
	}
}

// Kinds returns the kinds of entries that [Rules.Resume] reads.
func Kinds() []journal.Kind {
	return []journal.Kind{
		journal.AlarmRaised, journal.AlarmCleared, journal.AlarmAcknowledged, journal.AlarmReset, journal.AlarmRepeated, journal.AlarmReminded, journal.AlarmWorsened, journal.AlarmShelved,
		journal.AlarmUnshelved, journal.AlarmSuppressed, journal.AlarmReturned, journal.AlarmDisabled, journal.AlarmEnabled,
		journal.FloodBegan, journal.FloodEnded, journal.Summary, journal.Chattering, journal.Fleeting, journal.Frequent, journal.DailyDigest, journal.NotifierTest, journal.Lost,
		journal.ClockStepped, journal.ClockConfirmed,
	}
}

// Resume restores the state of the rules of the last run from the journal, oldest entry first. It sends nothing.
func (r *Rules) Resume(entries []*journal.Entry) {
	confirmed := map[string]uint64{} // run → number of the entry up to which its times have been put right
	for _, e := range entries {
		if e.Kind == journal.ClockConfirmed {
			confirmed[e.Run] = e.Seq
		}
	}
	for _, e := range entries {
		switch e.Kind {
		case journal.CommandRefused:
			r.refused(e)
			continue
		case journal.ClockStepped:
			if e.Since != nil && e.Seq > confirmed[e.Run] {
				r.Shift(e.At.Sub(*e.Since))
			}
			continue
		}
		r.record(e)
		if nuisance.Calls(e) {
			r.call(e)
		}
	}
}

// Sync aligns the state with the alarms of the core. An active alarm that is not known here counts as sent now by every notifier
// that takes it without an After time: repetition continues from now, and its end is sent. For notifiers with an After time it
// counts as not sent: a second message is better than none.
func (r *Rules) Sync(alarms []watch.AlarmState, now instant.Instant) {
	known := r.alarms
	r.alarms = map[string]*alarmState{}
	defer func() { // what has ended while no program ran, or belongs to a configuration of before
		for _, n := range r.incidents {
			if n.ended.IsNone() {
				r.settle(n, now)
			}
		}
	}()
	for i := range alarms {
		a := &alarms[i]
		s := known[a.Name]
		if a.Occurrence == "" || !a.Active && (s == nil || s.occurrence != a.Occurrence || !a.Letter.Silenced()) {
			continue // one that has ended while it was silenced is reported when that ends
		}
		if s == nil || s.occurrence != a.Occurrence {
			s = r.initialState(a, now)
		} else if !s.raised.IsNone() && !a.Raised.IsNone() {
			s.shift(a.Raised.Sub(s.raised)) // the clock was set, and the journal does not say by how much
		}
		s.letter = a.Letter
		s.called = min(s.called, now)
		for notifier, at := range s.notified {
			s.notified[notifier] = min(at, now)
		}
		r.alarms[a.Name] = s
	}
	r.syncReminders(alarms)
}

// initialState returns the likely state of an alarm whose beginning is not in the journal entries seen.
func (r *Rules) initialState(a *watch.AlarmState, now instant.Instant) *alarmState {
	s := newAlarmState(a.Occurrence, now)
	s.priority, s.acknowledged = a.Priority.String(), a.Letter == isa.Acknowledged
	if !a.Raised.IsNone() {
		s.raised, s.called = a.Raised, a.Raised
	}
	if a.Letter != isa.Unacknowledged && a.Letter != isa.Acknowledged {
		return s
	}
	s.incident = r.join(a.Name, &journal.Entry{At: now, Occurrence: a.Occurrence})
	for i := range r.rules {
		rule := &r.rules[i]
		if rule.listens(a.Name, s.priority) && rule.After == 0 {
			r.message(a.Name, s, rule.Notifier, now)
			if !rule.Every {
				r.noteHeard(rule, a.Name, s, now)
			}
		}
	}
	return s
}

// Flood reports whether there is a flood of alarms, and since when.
func (r *Rules) Flood() (since instant.Instant, is bool) { return r.flood.since, r.flood.active }

// Shift moves all remembered times by a step of the clock.
func (r *Rules) Shift(by time.Duration) {
	for _, s := range r.alarms {
		s.shift(by)
	}
	r.flood.shift(by)
	for _, d := range r.floodDigests {
		d.bin = shiftBin(d.bin, by)
	}
	for _, k := range r.chatter {
		k.shift(by)
	}
	for _, n := range r.incidents {
		n.shift(by)
	}
	for _, m := range r.reminders {
		m.shift(by)
	}
	for _, f := range r.frequent {
		f.shift(by)
	}
}
