package notify_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/watch"
)

// short lets tub-1 be critical for five minutes: one message, and no repetition.
func short(l *loft) {
	l.run(300, 22, 28, 22)
	l.run(300, 22, 22, 22)
}

const reminderOfTub1 = "3670 keeper over " + tubCritical + " D"

// A message may get lost on its way, and what is over is repeated no more: an hour after the message it is heard once.
func TestACriticalAlarmThatIsOverIsHeardOnceMore(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	short(l)
	require.Len(t, l.heard(), 2, "the band's and the critical alarm")
	l.run(6*3600, 22, 22, 22)
	assert.Equal(t, []string{reminderOfTub1}, l.heard(), "and no more than once")
	entry := ofKind(l, journal.AlarmReminded)[0]
	assert.Equal(t, at(10), *entry.Since)
	assert.Equal(t, at(370), *entry.Until)
	assert.InDelta(t, 28, *entry.Extreme, 0)
	assert.InDelta(t, 27, *entry.Setpoint, 0)
	assert.Equal(t, tubHigh+"@"+at(70).String(), entry.Incident)
	assert.Equal(t, isa.ReturnedUnacknowledged, entry.State)
	assert.False(t, entry.Silent)
}

func TestNoReminderWhereItIsNotNeeded(t *testing.T) {
	for name, play := range map[string]func(l *loft){
		"acknowledged while it was active": func(l *loft) {
			l.run(300, 22, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
			l.run(300, 22, 22, 22)
		},
		"acknowledged after its end": func(l *loft) {
			short(l)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
		},
		"shelved after its end": func(l *loft) {
			short(l)
			l.command(watch.Command{Verb: watch.Shelve, Alarm: tubCritical, For: time.Hour, Reason: "invented"})
		},
		"repeated while it was active": func(l *loft) { l.run(900, 22, 28, 22); l.run(300, 22, 22, 22) },
		"no more than beyond the band": func(l *loft) { l.run(300, 22, 25, 22); l.run(300, 22, 22, 22) },
		"its room has spoken for it": func(l *loft) {
			l.run(600, 22, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
			l.run(100, 29, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: roomCritical})
			l.run(250, 22, 28, 22)
			l.run(300, 22, 22, 22)
		},
		"acknowledged, covered by its room, and back for a while": func(l *loft) {
			l.run(300, 22, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
			l.run(700, 29, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: roomCritical})
			l.run(3*3600, 29, 28, 22)
			l.run(600, 22, 28, 22) // the room is over, and the tub is not
			l.run(300, 22, 22, 22)
		},
		"on its way back when its room fell silent": func(l *loft) {
			l.run(300, 29, 22, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: roomCritical})
			l.run(100, 22, 28, 22)
			room, _ := l.core.Alarm(roomCritical)
			require.False(l.t, room.Active)
			back := ofKind(l, journal.AlarmCleared)
			l.run(int(back[len(back)-1].At.Sub(at(l.now))/time.Second)+7180, 22, 28, 22)
			l.run(300, 22, 22, 22)
		},
		"covered by its room after its end": func(l *loft) {
			short(l)
			l.run(840, 29, 22, 22)
			l.run(110, 22, 22, 22)
			l.run(210, 22, 28, 22) // within ten minutes of the last message on the room
			l.run(300, 22, 22, 22)
		},
		"named by an acknowledged alarm": func(l *loft) {
			l.run(300, 22, 28, 22)
			l.run(150, 22, 22, 22)
			l.run(350, 22, 28, 28) // the repetition on tub-1, which has come back, names tub-2
			l.run(300, 22, 28, 22)
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubCritical})
			l.run(300, 22, 22, 22)
		},
	} {
		t.Run(name, func(t *testing.T) {
			l := openSite(t, twoTubs(), keeper)
			play(l)
			heard := l.heard()
			require.NotEmpty(t, heard)
			assert.NotContains(t, strings.Join(heard, "\n"), " over ")
			l.run(6*3600, 22, 22, 22)
			assert.Empty(t, l.heard())
		})
	}
}

func TestAReminderOutlivesARestart(t *testing.T) {
	l := openSite(t, twoTubs(), keeper, thread)
	short(l)
	l.heard()
	l.restartWith(twoTubs(), keeper, thread)
	l.run(2*3600, 22, 22, 22)
	assert.Equal(t, []string{reminderOfTub1, "3670 thread over " + tubCritical + " D"}, l.heard())
	l.restartWith(twoTubs(), keeper, thread)
	l.run(2*3600, 22, 22, 22)
	assert.Empty(t, l.heard(), "it was sent")
}

func TestAReminderMovesWithTheClock(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	short(l)
	l.heard()
	l.setClock(7200)
	l.run(2*3600, 22, 22, 22)
	assert.Equal(t, []string{"10870 keeper over " + tubCritical + " D"}, l.heard())
}

// One reminder names all of its incident that is owed one: here also the tub whose own message was to come ten minutes after the first.
func TestOneReminderForAnIncident(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(300, 22, 28, 28)
	l.run(300, 22, 22, 22)
	l.heard()
	l.run(6*3600, 22, 22, 22)
	assert.Equal(t, []string{reminderOfTub1}, l.heard())
	assert.Equal(t, []string{tub2Critical}, ofKind(l, journal.AlarmReminded)[0].Also)
}

// What has come back is not over; that it was heard makes up for the message before.
func TestNoReminderOfWhatIsBack(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	short(l)
	l.heard()
	l.run(1100, 22, 22, 22)
	l.run(900, 22, 28, 22)
	assert.Equal(t, []string{"1770 keeper call " + tubCritical + " B", "2370 keeper again " + tubCritical + " B"}, l.heard())
	l.run(6*3600, 22, 22, 22)
	assert.Empty(t, l.heard())
}

// A message that was given up, and whose alarm has ended before the next try, leaves nothing but the reminder.
func TestAReminderOfAMessageThatWasGivenUp(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(80, 22, 28, 22)
	l.heard()
	last := ofKind(l, journal.AlarmRaised)
	lost := last[slices.IndexFunc(last, func(e *journal.Entry) bool { return e.Alarm == tubCritical })]
	l.command(watch.Command{Verb: watch.Report, Kind: journal.Lost, Alarm: tubCritical, Occurrence: lost.Occurrence, Notifiers: []string{"keeper"}, Text: "given up"})
	l.run(300, 22, 22, 22)
	assert.Equal(t, []string{"150 keeper over " + tubCritical + " D"}, l.heard())
}

// A repetition that was given up leaves a single message.
func TestAReminderAfterALostRepetition(t *testing.T) {
	l := openSite(t, twoTubs(), keeper)
	l.run(680, 22, 28, 22)
	require.Len(t, l.heard(), 3)
	a, _ := l.core.Alarm(tubCritical)
	l.command(watch.Command{Verb: watch.Report, Kind: journal.Lost, Alarm: tubCritical, Occurrence: a.Occurrence, Notifiers: []string{"keeper"}, Text: "given up"})
	l.run(50, 22, 22, 22)
	l.run(2*3600, 22, 22, 22)
	assert.Len(t, l.heard(), 1)
}

// reminderLaws count the messages on each critical occurrence.
type reminderLaws struct {
	t        *rapid.T
	l        *loft
	messages map[string]int             // by occurrence
	critical []instant.Instant          // messages on what is critical
	last     map[string]instant.Instant // by alarm
	over     map[string]instant.Instant // occurrences that ended unacknowledged: when
	seen     map[string]bool            // occurrences to which a person has done something
	reminded map[string]bool
}

func (w *reminderLaws) watch(e watch.Effect, deliveries []notify.Delivery) {
	entry := e.Entry
	if entry == nil || entry.Alarm == "" {
		return
	}
	if e.Kind == watch.Record && strings.Contains(entry.Alarm, "critical") {
		switch entry.Kind {
		case journal.AlarmCleared:
			if entry.State == isa.ReturnedUnacknowledged {
				w.over[entry.Occurrence] = entry.At
			}
		case journal.AlarmAcknowledged, journal.AlarmShelved:
			for o := range w.messages { // it may count for more of its incident
				w.seen[o] = true
			}
			w.seen[entry.Occurrence] = true
		}
	}
	for _, d := range deliveries {
		if d.Reason != notify.Over && entry.Priority == "critical" {
			w.critical = append(w.critical, entry.At)
		}
		for _, name := range append([]string{entry.Alarm}, entry.Also...) {
			a, _ := w.l.core.Alarm(name)
			if d.Reason != notify.Over {
				w.messages[a.Occurrence]++
				w.last[name] = entry.At
				continue
			}
			require.Equal(w.t, journal.AlarmReminded, entry.Kind, describe(d))
			require.Equal(w.t, isa.ReturnedUnacknowledged, a.Letter, describe(d))
			require.LessOrEqual(w.t, w.messages[a.Occurrence], 1, describe(d))
			require.False(w.t, w.reminded[a.Occurrence], "%s, for the second time", describe(d))
			require.GreaterOrEqual(w.t, entry.At.Sub(w.last[name]), 50*time.Minute, describe(d))
			require.GreaterOrEqual(w.t, entry.At, w.over[a.Occurrence], describe(d))
			w.reminded[a.Occurrence] = true
		}
	}
}

// TestLawsOfReminders: whatever the room does, each critical alarm that ended after one message and that a person has not seen to is
// heard once more, and nothing else is; unless there was another message on what is critical, for then its keeper knows of its room.
func TestLawsOfReminders(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := twoTubs()
		l := openSite(t, site, keeper)
		w := &reminderLaws{t: t, l: l, messages: map[string]int{}, last: map[string]instant.Instant{}, over: map[string]instant.Instant{}, seen: map[string]bool{}, reminded: map[string]bool{}}
		l.watching = w.watch
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"run", "run", "run", "run", "acknowledge", "shelve", "restart"}).Draw(t, "what") {
			case "run":
				l.run(rapid.IntRange(1, 150).Draw(t, "tens of seconds")*10, 22,
					rapid.SampledFrom([]float64{22, 25, 28}).Draw(t, "tub-1"), rapid.SampledFrom([]float64{22, 28}).Draw(t, "tub-2"))
			case "acknowledge":
				if a, ok := l.core.Alarm(tubCritical); ok && a.Occurrence != "" {
					l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
				}
			case "shelve":
				l.command(watch.Command{Verb: watch.Shelve, Alarm: tub2Critical, For: 20 * time.Minute, Reason: "invented"})
			case "restart":
				l.restartWith(site, keeper)
			}
		}
		l.run(2*3600, 22, 22, 22)
		for _, name := range []string{tubCritical, tub2Critical} { // the last occurrence of each: what came before it may be heard with it
			a, _ := l.core.Alarm(name)
			lately := 0
			for _, at := range w.critical {
				if at >= a.Raised.Add(-2*time.Hour) {
					lately++
				}
			}
			if a.Occurrence != "" && a.Letter == isa.ReturnedUnacknowledged && w.messages[a.Occurrence] == 1 && lately < 2 && !w.seen[a.Occurrence] {
				require.True(t, w.reminded[a.Occurrence], "%s was in one message, is over, and was not heard again; %v", a.Occurrence, w.messages)
			}
		}
	})
}
