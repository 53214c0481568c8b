package notify_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// lose records that a notifier has given up its last message.
func (l *loft) lose(notifier string) {
	l.t.(*testing.T).Helper()
	last := l.log[len(l.log)-1].Entry
	alarm, occurrence := l.rules.AlarmOf(notifier, last.ID())
	require.Equal(l.t, last.Alarm, alarm)
	l.command(watch.Command{Verb: watch.Report, Kind: journal.Lost, Alarm: alarm, Occurrence: occurrence, Notifiers: []string{notifier}, Text: "given up"})
}

// TestLostMessageIsSentAgain: while an alarm is active the next message goes out after a minute, then two, over restarts as
// well, and no more once it is confirmed.
func TestLostMessageIsSentAgain(t *testing.T) {
	rules := []notify.Rule{{Every: true, Notifier: "webhook"}}
	l := open(t, rules...)
	l.run(80, 22, 25, 22)
	require.Len(t, l.log, 1)
	l.lose("webhook")
	l.restart(rules...)
	l.run(50, 22, 25, 22)
	assert.Len(t, l.log, 1, "not before a minute has passed")
	l.run(20, 22, 25, 22)
	require.Len(t, l.log, 2)
	assert.Equal(t, "140 webhook late "+tubHigh+" B", describe(l.log[1]))
	assert.Equal(t, "an earlier message did not get through", l.log[1].Entry.Reason)
	l.lose("webhook")
	l.run(100, 22, 25, 22)
	assert.Len(t, l.log, 2)
	l.run(30, 22, 25, 22)
	require.Len(t, l.log, 3, "two minutes later")
	l.lose("webhook")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
	l.run(3600, 22, 25, 22)
	assert.Len(t, l.log, 3, "a person has it in hand")
	assert.Empty(t, func() string { alarm, _ := l.rules.AlarmOf("webhook", "run-1-1"); return alarm }(), "an event that is about no alarm")
}

// TestEscalationDoesNotWaitForSilentNotifiers: the second person is called as soon as the notifier of the first is known not to deliver.
func TestEscalationDoesNotWaitForSilentNotifiers(t *testing.T) {
	const fault = "sensor/outlet-webhook/fault"
	site := northLoft()
	site.Sensors = []watch.SensorFeeds{{ID: "outlet-webhook", FaultAfter: 30 * time.Minute}}
	l := openSite(t, site, notify.Rule{Every: true, Notifier: "webhook", Except: fault}, notify.Rule{Every: true, Notifier: "mail", After: 20 * time.Minute, Except: "sensor/outlet-mail/fault"})
	l.run(80, 22, 25, 22)
	assert.Equal(t, []string{"70 webhook call " + tubHigh + " B"}, l.take())
	for range 2 {
		l.event(watch.Event{Kind: watch.SensorEvent, Failure: "it answered 403", Flag: quantity.Fail})
	}
	l.run(10, 22, 25, 22)
	got := l.take()
	assert.ElementsMatch(t, []string{"90 mail escalated " + fault + " B", "90 mail escalated " + tubHigh + " B"}, got)
	assert.Equal(t, "your other notifiers do not get through", l.journal[len(l.journal)-1].Reason)
}

// TestRisingIsNotOverWhereTheLimitIsReached: "no longer rising" would be read as good news.
func TestRisingIsNotOverWhereTheLimitIsReached(t *testing.T) {
	site := northLoft()
	b := band(20, 24, none)
	b.Day.Foresee, b.Night.Foresee = 30*time.Minute, 30*time.Minute
	site.Places[1].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	rise := func(to float64) *loft {
		l := openSite(t, site, notify.Rule{Every: true, Notifier: "webhook"})
		for v := 22.0; v < to; v += 0.02 {
			l.run(10, 22, v, 22)
		}
		return l
	}
	ends := func(l *loft, alarm string) (n int) {
		for _, d := range l.log {
			if d.Reason == notify.Over && d.Entry.Alarm == alarm {
				n++
			}
		}
		return n
	}
	const rising = "tub-1/water-temperature/rising"
	l := rise(24.5)
	l.run(3600, 22, 24.5, 22)
	l.run(3600, 22, 22, 22)
	_, is := l.core.Alarm(tubHigh)
	require.True(t, is)
	assert.Equal(t, 1, ends(l, tubHigh))
	assert.Zero(t, ends(l, rising), "the limit was reached")
	l = rise(23.7)
	l.run(3600, 22, 22.5, 22)
	assert.Equal(t, 1, ends(l, rising), "it turned around before the limit")
}
