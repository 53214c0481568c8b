package notify

import (
	"fmt"
	"slices"
	"time"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/watch"
)

// The times of chattering alarms: common practice, no published source.
const (
	// chatterHold is the shortest time between two calls of a chattering alarm, and how long an alarm counts as chattering after
	// it was last seen to chatter.
	chatterHold = 10 * time.Minute
	// adviceInterval is the shortest time between two pieces of advice about the same nuisance.
	adviceInterval = 24 * time.Hour
)

// chatterState tracks the raises and returns of one alarm, to find chatter and fleeting alarms.
type chatterState struct {
	stays      []nuisance.Stay // the last few that called for a person
	judged     bool            // it is decided whether the last one was fleeting
	chattered  instant.Instant // when it last was seen to chatter; None if never
	called     map[string]instant.Instant
	advised    map[journal.Kind]instant.Instant
	pending    map[journal.Kind]bool // advice to be recorded
	occurrence string                // of the last stay
}

func (k *chatterState) shift(by time.Duration) {
	for i := range k.stays {
		instant.Shift(by, &k.stays[i].Raised, &k.stays[i].Cleared)
	}
	instant.Shift(by, &k.chattered)
	instant.ShiftEach(by, k.called)
	instant.ShiftEach(by, k.advised)
}

// trackChatter folds a raise or a return of an alarm into its chatterState.
func (r *Rules) trackChatter(entry *journal.Entry) {
	k := r.chatter[entry.Alarm]
	switch entry.Kind {
	case journal.AlarmRaised:
		if !nuisance.Calls(entry) {
			return
		}
		if k == nil {
			k = &chatterState{
				chattered: instant.None, called: map[string]instant.Instant{}, advised: map[journal.Kind]instant.Instant{},
				pending: map[journal.Kind]bool{}, judged: true,
			}
			r.chatter[entry.Alarm] = k
		}
		k.stays = append(k.stays, nuisance.Stay{Raised: entry.At, Cleared: instant.None})
		k.judgeFleeting(len(k.stays) - 2)
		if n := len(k.stays) - nuisance.ChatterPairs; n > 1 {
			k.stays = slices.Delete(k.stays, 0, n-1)
		}
		k.occurrence = entry.Occurrence
	case journal.AlarmCleared:
		if k == nil || len(k.stays) == 0 || k.occurrence != entry.Occurrence {
			return
		}
		k.stays[len(k.stays)-1].Cleared, k.judged = entry.At, false
		r.unsettled[entry.Alarm] = k
		if nuisance.Chatters(k.stays, len(k.stays)-nuisance.ChatterPairs) {
			k.chattered = entry.At
			k.schedule(journal.Chattering, entry.At)
		}
	}
}

// judgeFleeting decides whether stay i was fleeting.
func (k *chatterState) judgeFleeting(i int) {
	if i < 0 || k.judged {
		return
	}
	k.judged = true
	if nuisance.Fleeting(k.stays, i) {
		k.schedule(journal.Fleeting, k.stays[i].Cleared)
	}
}

// schedule marks a kind of advice as due, unless it was given within adviceInterval.
func (k *chatterState) schedule(kind journal.Kind, at instant.Instant) {
	if last, said := k.advised[kind]; !said || at.Sub(last) >= adviceInterval {
		k.pending[kind] = true
	}
}

// restrained reports whether a chattering alarm has called through a notifier within chatterHold. Critical alarms are never
// restrained.
func (r *Rules) restrained(name string, s *alarmState, notifier string, now instant.Instant) bool {
	k := r.chatter[name]
	if k == nil || k.chattered.IsNone() || critical(s.priority) || now.Sub(k.chattered) >= chatterHold {
		return false
	}
	last, called := k.called[notifier]
	return called && now.Sub(last) < chatterHold
}

// noteCall notes when an alarm has called through a notifier.
func (r *Rules) noteCall(name, notifier string, at instant.Instant) {
	if k := r.chatter[name]; k != nil {
		k.called[notifier] = at
	}
}

// advices returns the commands that record nuisance alarms.
func (r *Rules) advices(now instant.Instant) (commands []watch.Command) {
	for name, k := range r.unsettled {
		if last := len(k.stays) - 1; !k.judged && now.Sub(k.stays[last].Cleared) > nuisance.ChatterWithin {
			k.judgeFleeting(last)
		}
		for _, kind := range [...]journal.Kind{journal.Chattering, journal.Fleeting} {
			if k.pending[kind] {
				commands = append(commands, watch.Command{
					Verb: watch.Report, Kind: kind, Alarm: name, Priority: care.LowPriority, By: By, Text: adviceOn(kind, name),
				})
			}
		}
		if k.judged && len(k.pending) == 0 {
			delete(r.unsettled, name)
		}
	}
	slices.SortStableFunc(commands, byAlarm)
	return commands
}

// adviceRecorded notes that the journal has an advice, and returns its deliveries for the notifiers that take low alarms.
func (r *Rules) adviceRecorded(entry *journal.Entry) (deliveries []Delivery) {
	k := r.chatter[entry.Alarm]
	if k == nil { // no raise of this alarm has been seen
		return nil
	}
	delete(k.pending, entry.Kind)
	k.advised[entry.Kind] = entry.At
	for i := range r.rules {
		rule := &r.rules[i]
		switch {
		case !rule.listens(entry.Alarm, care.LowPriority.String()), rule.After > 0:
		case rule.quiet(care.LowPriority.String(), entry.At):
			r.gather(r.quietDigests, rule.Notifier, entry)
		case r.flood.active:
			r.gather(r.floodDigests, rule.Notifier, entry)
		default:
			deliveries = append(deliveries, Delivery{Notifier: rule.Notifier, Reason: Advice, Entry: entry})
		}
	}
	return deliveries
}

// adviceOn returns the advice on a nuisance alarm, for people.
func adviceOn(kind journal.Kind, alarm string) string {
	if kind == journal.Chattering {
		return fmt.Sprintf("%s has come and gone %d times within a minute: give its band a wider deadband or longer delays, or look at the sensor and its cable", alarm, nuisance.ChatterPairs)
	}
	return alarm + " was gone again within seconds, before anyone could act: give its band a longer on-delay, or look at the sensor and its cable"
}
