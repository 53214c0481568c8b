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
	// restrain is how long after a call the next one of a chattering alarm waits, and how long an alarm that has chattered is
	// taken to go on with it.
	restrain = 10 * time.Minute
	// adviseAgain is how long nothing more is said of a nuisance.
	adviseAgain = 24 * time.Hour
)

// restless is what is known of how an alarm comes and goes.
type restless struct {
	stays      []nuisance.Stay // the last few, as far as people were told
	judged     bool            // whether the last one was fleeting is decided
	chattered  instant.Instant // when it was seen to chatter last; None if never
	called     map[string]instant.Instant
	advised    map[journal.Kind]instant.Instant
	owes       map[journal.Kind]bool // the journal must know
	occurrence string                // of the last stay
}

func (k *restless) shift(by time.Duration) {
	for i := range k.stays {
		k.stays[i].Raised = k.stays[i].Raised.Add(by)
		if !k.stays[i].Cleared.IsNone() {
			k.stays[i].Cleared = k.stays[i].Cleared.Add(by)
		}
	}
	if !k.chattered.IsNone() {
		k.chattered = k.chattered.Add(by)
	}
	for outlet, at := range k.called {
		k.called[outlet] = at.Add(by)
	}
	for kind, at := range k.advised {
		k.advised[kind] = at.Add(by)
	}
}

// watchRestless follows how an alarm comes and goes.
func (r *Rules) watchRestless(entry *journal.Entry) {
	k := r.restless[entry.Alarm]
	switch entry.Kind {
	case journal.AlarmRaised:
		if !nuisance.Calls(entry) {
			return
		}
		if k == nil {
			k = &restless{
				chattered: instant.None, called: map[string]instant.Instant{}, advised: map[journal.Kind]instant.Instant{},
				owes: map[journal.Kind]bool{}, judged: true,
			}
			r.restless[entry.Alarm] = k
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
			k.owe(journal.Chattering, entry.At)
		}
	}
}

// judgeFleeting decides of a stay whether it was fleeting.
func (k *restless) judgeFleeting(i int) {
	if i < 0 || k.judged {
		return
	}
	k.judged = true
	if nuisance.Fleeting(k.stays, i) {
		k.owe(journal.Fleeting, k.stays[i].Cleared)
	}
}

// owe notes that something has to be said, unless it was said lately.
func (k *restless) owe(kind journal.Kind, at instant.Instant) {
	if last, said := k.advised[kind]; !said || at.Sub(last) >= adviseAgain {
		k.owes[kind] = true
	}
}

// restrained reports whether an outlet has been called by a chattering alarm lately. Critical ones are never restrained.
func (r *Rules) restrained(name string, s *alarmState, outlet string, now instant.Instant) bool {
	k := r.restless[name]
	if k == nil || k.chattered.IsNone() || critical(s.priority) || now.Sub(k.chattered) >= restrain {
		return false
	}
	last, called := k.called[outlet]
	return called && now.Sub(last) < restrain
}

// calledNow notes that an alarm has called on an outlet.
func (r *Rules) calledNow(name, outlet string, at instant.Instant) {
	if k := r.restless[name]; k != nil {
		k.called[outlet] = at
	}
}

// advices returns the commands that put nuisances on record.
func (r *Rules) advices(now instant.Instant) (commands []watch.Command) {
	for name, k := range r.unsettled {
		if last := len(k.stays) - 1; !k.judged && now.Sub(k.stays[last].Cleared) > nuisance.ChatterWithin {
			k.judgeFleeting(last)
		}
		for _, kind := range [...]journal.Kind{journal.Chattering, journal.Fleeting} {
			if k.owes[kind] {
				commands = append(commands, watch.Command{
					Verb: watch.Report, Kind: kind, Alarm: name, Priority: care.LowPriority, By: By, Text: adviceOn(kind, name),
				})
			}
		}
		if k.judged && len(k.owes) == 0 {
			delete(r.unsettled, name)
		}
	}
	slices.SortStableFunc(commands, byAlarm)
	return commands
}

// advised takes note of what the journal knows of a nuisance, and tells it to those who listen to low.
func (r *Rules) advised(entry *journal.Entry) (deliveries []Delivery) {
	k := r.restless[entry.Alarm]
	if k == nil { // of an alarm whose comings and goings have not come by
		return nil
	}
	delete(k.owes, entry.Kind)
	k.advised[entry.Kind] = entry.At
	for i := range r.rules {
		rule := &r.rules[i]
		switch {
		case !rule.listens(entry.Alarm, care.LowPriority.String()), rule.After > 0:
		case rule.quiet(care.LowPriority.String(), entry.At):
			r.gather(r.nights, rule.Notifier, entry)
		case r.flood.active:
			r.gather(r.floods, rule.Notifier, entry)
		default:
			deliveries = append(deliveries, Delivery{rule.Notifier, Advice, entry})
		}
	}
	return deliveries
}

// adviceOn tells what may be done about a nuisance.
func adviceOn(kind journal.Kind, alarm string) string {
	if kind == journal.Chattering {
		return fmt.Sprintf("%s has come and gone %d times within a minute: give its band a wider deadband or longer delays, or look at the sensor and its cable", alarm, nuisance.ChatterPairs)
	}
	return alarm + " was gone again within seconds, before anybody could act: give its band a longer on-delay, or look at the sensor and its cable"
}
