package notify_test

import (
	"slices"
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

var (
	first = notify.Rule{Every: true, Notifier: "webhook"}
	boss  = notify.Rule{Every: true, Notifier: "mail", After: 20 * time.Minute, Repeat: 30 * time.Minute}
)

func TestEscalation(t *testing.T) {
	l := open(t, first, boss)
	l.run(1260, 22, 25, 22)
	assert.Equal(t, []string{"70 webhook call " + tubHigh + " B"}, l.take(), "not before 20 minutes have passed")
	l.run(1800+20, 22, 25, 22)
	assert.Equal(t, []string{"1270 mail escalated " + tubHigh + " B", "3070 mail again " + tubHigh + " B"}, l.take(), "webhook does not repeat")
	i := slices.IndexFunc(l.journal, func(e *journal.Entry) bool { return e.Kind == "alarm.repeated" })
	require.GreaterOrEqual(t, i, 0)
	assert.Equal(t, []string{"mail"}, l.journal[i].Notifiers)
	assert.Equal(t, "not confirmed within 20 min", l.journal[i].Reason)
	l.run(200, 22, 23, 22)
	assert.Equal(t, []string{"3150 webhook over " + tubHigh + " D", "3150 mail over " + tubHigh + " D"}, l.take())
}

func TestNoEscalationOfAHandledAlarm(t *testing.T) {
	for name, c := range map[string]watch.Command{
		"acknowledged":   {Verb: watch.Acknowledge, Alarm: tubHigh},
		"out of service": {Verb: watch.OutOfService, Alarm: tubHigh, Reason: "a test"},
		"shelved":        {Verb: watch.Shelve, Alarm: tubHigh, For: 2 * time.Hour, Reason: "a test"},
	} {
		t.Run(name, func(t *testing.T) {
			l := open(t, first, boss)
			l.run(1200, 22, 25, 22)
			l.command(c)
			l.take()
			l.run(3600, 22, 25, 22)
			assert.Empty(t, l.take())
		})
	}
	t.Run("over", func(t *testing.T) {
		l := open(t, first, boss)
		l.run(1000, 22, 25, 22)
		l.run(3600, 22, 22, 22)
		assert.Equal(t, []string{"70 webhook call " + tubHigh + " B", "1070 webhook over " + tubHigh + " D"}, l.take())
	})
	t.Run("covered by the room", func(t *testing.T) {
		l := open(t, first, boss)
		l.run(1100, 22, 25, 22)
		l.take()
		l.run(1300, 29, 25, 22)
		assert.Equal(t, []string{"1170 webhook call " + roomCritical + " B", "2370 mail escalated " + roomCritical + " B"}, l.take())
	})
}

func TestEndOfAShelfRestartsTheEscalationTime(t *testing.T) {
	l := open(t, first, boss)
	l.run(600, 22, 25, 22)
	l.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: 30 * time.Minute, Reason: "a test"})
	l.take()
	l.run(1800+1200+10, 22, 25, 22)
	assert.Equal(t, []string{"2400 webhook call " + tubHigh + " B", "3600 mail escalated " + tubHigh + " B"}, l.take())
}

func TestEscalationSurvivesARestartAndTheClock(t *testing.T) {
	for name, c := range map[string]struct {
		before int // s after the start at which it happens
		do     func(*loft)
		want   string
	}{
		"a restart in between":          {600, func(l *loft) { l.restart(first, boss) }, "1270 mail escalated " + tubHigh + " B"},
		"a restart without its journal": {600, func(l *loft) { l.journal = nil; l.restart(first, boss) }, "1270 mail escalated " + tubHigh + " B"},
		"the time passes while it is down": {600, func(l *loft) {
			l.now += 1500
			l.restart(first, boss)
		}, "2110 mail escalated " + tubHigh + " B"},
		"the clock goes back":              {600, func(l *loft) { l.setClock(-86400) }, "-85130 mail escalated " + tubHigh + " B"},
		"the clock goes forward":           {600, func(l *loft) { l.setClock(86400) }, "87670 mail escalated " + tubHigh + " B"},
		"the clock and then a restart":     {600, func(l *loft) { l.setClock(86400); l.restart(first, boss) }, "87670 mail escalated " + tubHigh + " B"},
		"back, and then a restart":         {600, func(l *loft) { l.setClock(-86400); l.restart(first, boss) }, "-85130 mail escalated " + tubHigh + " B"},
		"a restart, sent already":          {1300, func(l *loft) { l.restart(first, boss) }, "3070 mail again " + tubHigh + " B"},
		"no journal, and it must be known": {1300, func(l *loft) { l.journal = nil; l.restart(first, boss) }, "1310 mail escalated " + tubHigh + " B"},
	} {
		t.Run(name, func(t *testing.T) {
			l := open(t, first, boss)
			l.run(c.before, 22, 25, 22)
			l.take()
			c.do(l)
			l.run(1810, 22, 25, 22)
			got := l.take()
			require.NotEmpty(t, got)
			assert.Equal(t, c.want, got[0])
		})
	}
}

// TestLawsOfEscalation: whatever happens, restarts and clock changes included, each unacknowledged call reaches the escalation
// notifier exactly once, never before its time, and never after an acknowledgement.
func TestLawsOfEscalation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		after := rapid.SampledFrom([]time.Duration{time.Minute, 5 * time.Minute, 20 * time.Minute}).Draw(t, "after")
		rules := []notify.Rule{
			{Every: true, Notifier: "first", Repeat: rapid.SampledFrom([]time.Duration{0, 15 * time.Minute}).Draw(t, "repeat")},
			{Every: true, Notifier: "boss", After: after, Repeat: rapid.SampledFrom([]time.Duration{0, 10 * time.Minute}).Draw(t, "repeat of boss")},
		}
		l := open(t, rules...)
		type call struct {
			at           instant.Instant
			sent         int
			acknowledged bool
		}
		calls := map[string]*call{} // by alarm
		l.watching = func(e watch.Effect, deliveries []notify.Delivery) {
			if e.Entry == nil || e.Entry.Alarm == "" || e.Entry.State == "" {
				return
			}
			name := e.Entry.Alarm
			if e.Kind == watch.Record {
				switch {
				case e.Entry.Kind == "alarm.raised", e.Entry.Kind == "alarm.shelved", e.Entry.Kind == "alarm.disabled":
					delete(calls, name)
				case e.Entry.Kind == "alarm.acknowledged" && calls[name] != nil:
					calls[name].acknowledged = true
				}
				return
			}
			if e.Entry.Kind != "alarm.repeated" {
				if c := calls[name]; c == nil {
					calls[name] = &call{at: e.Entry.At}
				} else {
					c.at, c.acknowledged = e.Entry.At, false // a cover has ended, and it is unacknowledged again
				}
			}
			if slices.Contains(e.Entry.Notifiers, "boss") {
				c := calls[name]
				require.NotNil(t, c, name)
				c.sent++
				assert.Equal(t, 1, c.sent, "%s is sent once", name)
				assert.GreaterOrEqual(t, e.Entry.At.Sub(c.at), after, "%s is sent too early", name)
				assert.False(t, c.acknowledged, "%s was acknowledged", name)
				assert.Equal(t, isa.Unacknowledged, e.Entry.State)
				_, flood := l.rules.Flood()
				assert.True(t, flood || slices.ContainsFunc(deliveries, func(d notify.Delivery) bool {
					return d.Notifier == "boss" && d.Reason == notify.Escalated
				}), "%s is recorded and not sent", name)
			}
		}
		air := 22.0
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			name := rapid.SampledFrom([]string{tubHigh, roomCritical}).Draw(t, "alarm")
			switch rapid.SampledFrom([]string{"run", "run", "run", "acknowledge", "shelve", "restart", "clock"}).Draw(t, "what") {
			case "run":
				air = rapid.SampledFrom([]float64{22, 22, 29}).Draw(t, "air")
				l.run(rapid.IntRange(1, 250).Draw(t, "tens of seconds")*10, air, rapid.SampledFrom([]float64{22, 25}).Draw(t, "tub-1"),
					rapid.SampledFrom([]float64{22, 25}).Draw(t, "tub-2"))
			case "acknowledge":
				if a, ok := l.core.Alarm(name); ok && a.Occurrence != "" {
					l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
				}
			case "shelve":
				l.command(watch.Command{Verb: watch.Shelve, Alarm: name, For: 20 * time.Minute, Reason: "invented"})
			case "restart":
				l.restart(rules...)
			case "clock":
				by := rapid.IntRange(-500, 500).Draw(t, "clock") * 10
				l.setClock(by)
				for _, c := range calls {
					c.at = c.at.Add(time.Duration(by) * time.Second)
				}
			}
			for _, a := range l.core.Alarms() {
				c := calls[a.Name]
				if a.Name == roomCritical && air < 29 {
					continue // it is on its way back, and not said to be critical any more
				}
				if a.Letter == isa.Unacknowledged && c != nil && !c.acknowledged && at(l.now).Sub(c.at) > after {
					assert.Equal(t, 1, c.sent, "%s should have been sent by now", a.Name)
				}
			}
		}
	})
}
