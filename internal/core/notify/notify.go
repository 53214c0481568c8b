// Package notify decides who is told of an alarm, how often, and that it is over: the rules in front of the outlets. Like the
// core it is pure: time comes in, deliveries and commands go out, and there is no clock inside.
//
//	rules := notify.New([]notify.Rule{
//		{Outlet: "webhook", Priorities: []stage.Priority{stage.HighPriority, stage.CriticalPriority}, Repeat: 15 * time.Minute},
//		{Outlet: "mail", After: 20 * time.Minute},
//	})
//	rules.Resume(entries)                          // the journal of the last days, oldest first: after a start
//	rules.Sync(core.Alarms(), now)                 // after a start and after each new configuration
//	for _, effect := range effects {               // of the core, in their order
//		for _, delivery := range rules.Effect(&effect) { … }
//	}
//	for _, command := range rules.Due(now) { … }   // at each tick: into the core, whose effects come back here
//
// What the rules know is a fold of the journal: whatever they do that has not come from the core goes through it as a command
// first. So [Rules.Resume] brings everything back after a restart, and what was told then is not told again.
//
// # What is told
//
// A call: each [watch.Notify] of the core goes to every outlet that listens to its priority and has no time in After.
//
// Escalation: an outlet with a time in After is told only if nobody has acknowledged the alarm for so long, and it stands and is
// not silenced then. The core is asked to alarm once more, with the outlet named in the entry.
//
// Again: while the alarm stands and the rule says so, the core is asked to alarm once more ([watch.Repeat]). So
// repetition is on record and counted, an acknowledged alarm waits for an acknowledgement again (re-alarming, as in OPC
// 10000-9), and only the outlets whose time has come hear of it. Repetition ends with the condition, and with the first
// acknowledgement unless the rule says "cleared".
//
// Over: each outlet that was called is told once that the condition has ended.
//
// Nothing is told of an alarm that is shelved, out of service or suppressed by design. Whoever shelves an alarm or takes
// it out of service has it in hand, and is not told of its end either. One that was suppressed by design after a call
// is told to be over when the suppression has ended as well.
//
// # What is held back
//
// Quiet hours hold back what is low or medium; high and critical always go out at once. When they end, each alarm that still
// stands and that nobody has acknowledged is told once, and one [journal.Summary] says in a line what came and went, and what
// ended of that which had been told before.
//
// In a flood (package nuisance; each alarm counts once in a bin) an outlet gets one summary at the end of each bin of ten minutes
// instead of a message for each alarm, and nothing is repeated; critical alarms go out one by one as ever. The first ten of a flood have
// gone out before it can be known to be one. The first alarm of a point that is no part of it goes out at once: another point is part
// of it only where five or more have the same kind of alarm.
//
// That a value no longer rises or falls towards its limit is not told where it has reached the limit.
//
// # What does not get through
//
// A message that a notifier gives up ([journal.Lost]) is not the end of its incident: while the alarm is active and not acknowledged
// another one goes out, after a minute, then two, up to a quarter of an hour. An escalation does not wait while none of the notifiers
// ahead of it delivers.
//
// An alarm that chatters (package nuisance) calls each outlet at most once in ten minutes, unless it is critical. That it
// chatters, or that it was fleeting, is an entry in the journal, and is told to those who listen to low, once a day.
//
// # Tests
//
// Once a week, at the hour that the configuration names, a [journal.OutletTest] goes out: a way that is hardly ever used fails
// unnoticed. An hour at which no program ran is left out, since a test at an odd hour only frightens.
//
// Outlets for machines, such as the events of MQTT, are no business of these rules: they get everything. Only their tests are.
package notify

import (
	"maps"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// Cleared as [Rule.Until] makes repetition outlast the acknowledgement.
const Cleared = "cleared"

// By is who asks the core to alarm once more.
const By = "notify"

// The tolerances of repetition.
const (
	// early is how much too early an outlet may be told together with another whose time has come, so that they do not cause
	// one alarm each; it is no more than a tenth of the interval.
	early = 30 * time.Second
	// askAgain is how long the core has to answer before it is asked again.
	askAgain = time.Minute
)

// Rule is what one outlet is to be told. Each outlet has one.
type Rule struct {
	Notifier string // its name
	// Priorities it listens to; none means all.
	Priorities []care.Priority
	// After is how long nobody must have acknowledged an alarm before this outlet is told; 0 means that it is told at once.
	After time.Duration
	// Repeat is how often it is told again; 0 means never.
	Repeat time.Duration
	// Until is [Cleared], or anything else for: until it is acknowledged.
	Until string
	// Quiet holds the quiet hours of low and medium alarms as if they were the hours of light; nil means none.
	Quiet *care.Light
	// Except is an alarm that is never told here: the one that says that this very outlet does not deliver.
	Except string
}

// Weekly asks for a test of an outlet, which need not have a [Rule].
type Weekly struct {
	Notifier string
	At       instant.Weekly
}

// Why is the reason of a delivery.
type Reason uint8

// The reasons.
const (
	Call      Reason = iota // a person is needed
	Again                   // still
	Over                    // the condition has ended
	Escalated               // nobody has acknowledged it
	Late                    // what was held back and still stands
	Digest                  // a summary
	Advice                  // an alarm is a nuisance
	Test                    // a test notification
)

// String returns the reason in words.
func (w Reason) String() string {
	return [...]string{"call", "again", "over", "escalated", "late", "digest", "advice", "test"}[w]
}

// Delivery asks for an entry to be told on an outlet.
type Delivery struct {
	Notifier string
	Why      Reason
	Entry    *journal.Entry
}

// Rules follow the alarms of a site. They belong to one goroutine.
type Rules struct {
	rules    []Rule
	rooms    map[string]bool
	alarms   map[string]*alarmState // by name; only those whose condition holds, as far as it is known
	flood    flood
	floods   map[string]*digest   // outlet → what it will be told of at the end of the bin
	nights   map[string]*digest   // outlet → what it will be told of at the end of its quiet hours
	restless map[string]*restless // by the alarm's name
	weekly   []Weekly
	tested   map[string]instant.Instant // outlet → when a test of it went out last
	// unsettled are those of them that have a stay to judge or owe the journal something. Mostly there are none, while the
	// others grow with every alarm that ever called, and there is a tick each second.
	unsettled map[string]*restless
}

// standing is what is known of an alarm that stands.
type alarmState struct {
	occurrence   string
	priority     string
	letter       byte
	acknowledged bool                       // a person has seen it since it called last
	raised       instant.Instant            // as its entry says; None where that has not come by
	called       instant.Instant            // when it began to call for a person
	told         map[string]instant.Instant // outlet → when it was told last
	held         map[string]hold            // outlets that will be told later if it is still active then
	events       map[string]string          // outlet → the entry that it was told last
	retries      map[string]retry           // outlets that have given up a message about it
	reached      bool                       // of the outlook: the limit has been reached since
	asked        instant.Instant            // when the core was asked to repeat; None if it has answered
}

// hold tells why an outlet is not told yet.
type hold uint8

const (
	_            hold = iota
	forQuiet          // until the quiet hours end
	forRestraint      // until a chattering alarm may call again
	forRetry          // until the next try after a message that was given up
)

// retry is when the next message goes out after one that was given up.
type retry struct {
	times int
	at    instant.Instant
}

// The waiting times after a message that was given up: they double.
const (
	firstRetry = time.Minute
	maxRetry   = 15 * time.Minute
)

func newStanding(occurrence string, at instant.Instant) *alarmState {
	return &alarmState{
		occurrence: occurrence, raised: instant.None, called: at, asked: instant.None,
		told: map[string]instant.Instant{}, held: map[string]hold{}, events: map[string]string{}, retries: map[string]retry{},
	}
}

// shift moves what is remembered by a step of the clock.
func (s *alarmState) shift(by time.Duration) {
	for _, at := range []*instant.Instant{&s.raised, &s.called, &s.asked} {
		if !at.IsNone() {
			*at = at.Add(by)
		}
	}
	for outlet, at := range s.told {
		s.told[outlet] = at.Add(by)
	}
	for outlet, again := range s.retries {
		again.at = again.at.Add(by)
		s.retries[outlet] = again
	}
}

// New returns rules that know of no alarm.
func New(outlets []Rule) *Rules {
	return &Rules{
		rules: slices.Clone(outlets), alarms: map[string]*alarmState{}, flood: noFlood(),
		floods: map[string]*digest{}, nights: map[string]*digest{}, restless: map[string]*restless{}, unsettled: map[string]*restless{},
		tested: map[string]instant.Instant{},
	}
}

// Configure puts other rules in force. Call [Rules.Sync] afterwards. An outlet that is new and repeats is told of the
// unacknowledged alarms at once.
func (r *Rules) Configure(outlets []Rule) {
	r.rules = slices.Clone(outlets)
	for _, digests := range []map[string]*digest{r.floods, r.nights} {
		maps.DeleteFunc(digests, func(outlet string, _ *digest) bool {
			return !slices.ContainsFunc(outlets, func(rule Rule) bool { return rule.Notifier == outlet })
		})
	}
}

// Tests tells when outlets are to be tested.
func (r *Rules) Tests(weekly []Weekly) { r.weekly = slices.Clone(weekly) }

// Rooms tells which places are rooms: a summary names them first.
func (r *Rules) Rooms(rooms map[string]bool) { r.rooms = maps.Clone(rooms) }

// Kinds are the entries that [Rules.Resume] learns from.
func Kinds() []journal.Kind {
	return []journal.Kind{
		journal.AlarmRaised, journal.AlarmCleared, journal.AlarmAcknowledged, journal.AlarmReset, journal.AlarmRepeated, journal.AlarmShelved,
		journal.AlarmUnshelved, journal.AlarmSuppressed, journal.AlarmReturned, journal.AlarmDisabled, journal.AlarmEnabled,
		journal.FloodBegan, journal.FloodEnded, journal.Summary, journal.Chattering, journal.Fleeting, journal.NotifierTest, journal.Lost,
		journal.ClockStepped, journal.ClockConfirmed,
	}
}

// Resume takes in the journal, the oldest entry first, without telling anybody: what the rules of the last run knew.
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

// Sync brings what is known in line with the alarms of the core. What stands without being known here counts as told now on
// all outlets that listen to it at once: repetition goes on from here, and its end is told. Those with a time in After count as not
// told: a second message is better than none.
func (r *Rules) Sync(alarms []watch.AlarmState, now instant.Instant) {
	known := r.alarms
	r.alarms = map[string]*alarmState{}
	for i := range alarms {
		a := &alarms[i]
		if !a.Active || a.Occurrence == "" {
			continue
		}
		s := known[a.Name]
		if s == nil || s.occurrence != a.Occurrence {
			s = r.assume(a, now)
		} else if !s.raised.IsNone() && !a.Raised.IsNone() {
			s.shift(a.Raised.Sub(s.raised)) // the clock was set, and the journal does not say by how much
		}
		s.letter = a.Letter
		s.called = min(s.called, now)
		for outlet, at := range s.told {
			s.told[outlet] = min(at, now)
		}
		r.alarms[a.Name] = s
	}
}

// assume returns what is most likely about an alarm of which the beginning has not come by.
func (r *Rules) assume(a *watch.AlarmState, now instant.Instant) *alarmState {
	s := newStanding(a.Occurrence, now)
	s.priority, s.acknowledged = a.Priority.String(), a.Letter == watch.Acknowledged
	if !a.Raised.IsNone() {
		s.raised, s.called = a.Raised, a.Raised
	}
	if a.Letter != watch.Unacknowledged && a.Letter != watch.Acknowledged {
		return s
	}
	for i := range r.rules {
		rule := &r.rules[i]
		if rule.listens(a.Name, s.priority) && rule.After == 0 {
			s.told[rule.Notifier] = now
		}
	}
	return s
}

// Flood tells since when there is a flood, and whether there is one.
func (r *Rules) Flood() (since instant.Instant, is bool) { return r.flood.since, r.flood.active }

// Shift moves what is remembered by a step of the clock.
func (r *Rules) Shift(by time.Duration) {
	for _, s := range r.alarms {
		s.shift(by)
	}
	r.flood.shift(by)
	for _, d := range r.floods {
		d.bin = shiftBin(d.bin, by)
	}
	for _, k := range r.restless {
		k.shift(by)
	}
}
