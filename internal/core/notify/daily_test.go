package notify

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/watch"
)

// digestedDays runs the rules from minute to minute, with restarts, and lists when a digest was sent.
func digestedDays(t *testing.T, zone string, from, to time.Time, off func(time.Time) bool) (sent []time.Time) {
	t.Helper()
	location, err := time.LoadLocation(zone)
	require.NoError(t, err)
	fresh := func() *Rules {
		r := New([]Rule{{Notifier: "mail"}})
		r.Daily(&instant.Daily{Minutes: 19 * 60, Location: location})
		return r
	}
	rules, was := fresh(), false
	var record []*journal.Entry
	for now := from; now.Before(to); now = now.Add(time.Minute) {
		if off(now) {
			was = true
			continue
		}
		if was { // a restart: all that is known comes from the journal
			rules, was = fresh(), false
			rules.Resume(record)
		}
		if _, due := rules.DailyDue(instant.Of(now)); due {
			e := &journal.Entry{Seq: uint64(len(record) + 1), Run: "r", At: instant.Of(now), Kind: journal.DailyDigest, Priority: "low"}
			record = append(record, e)
			require.Len(t, rules.Effect(&watch.Effect{Kind: watch.Record, Entry: e}), 1)
			sent = append(sent, now.In(location))
		}
	}
	return sent
}

func TestDigestComesOnceADay(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	begin := time.Date(2026, 10, 23, 12, 0, 0, 0, lisbon) // the clock goes back in the night to the 25th
	end := begin.AddDate(0, 0, 4)

	sent := digestedDays(t, "Europe/Lisbon", begin, end, func(time.Time) bool { return false })
	require.Len(t, sent, 4)
	for _, at := range sent {
		assert.Equal(t, "19:00", at.Format("15:04"))
	}

	// Restarted every few minutes about the hour, it is sent once all the same.
	assert.Equal(t, sent, digestedDays(t, "Europe/Lisbon", begin, end, func(at time.Time) bool { return at.Minute()%7 == 3 }))

	// Off from six to nine in the evening: late, once. Off for the whole night: that day has none.
	late := digestedDays(t, "Europe/Lisbon", begin, end, func(at time.Time) bool { h := at.In(lisbon).Hour(); return h >= 18 && h < 21 })
	require.Len(t, late, 4)
	assert.Equal(t, "21:00", late[0].Format("15:04"))
	assert.Empty(t, digestedDays(t, "Europe/Lisbon", begin, end, func(at time.Time) bool { h := at.In(lisbon).Hour(); return h >= 18 || h < 2 }))
}

func TestDigestSurvivesClockSteps(t *testing.T) {
	rules := New([]Rule{{Notifier: "mail"}})
	at := time.Date(2026, 7, 17, 19, 0, 5, 0, time.UTC)
	_, due := rules.DailyDue(instant.Of(at))
	require.False(t, due, "none is configured")
	rules.Daily(&instant.Daily{Minutes: 19 * 60, Location: time.UTC})
	hour, due := rules.DailyDue(instant.Of(at))
	require.True(t, due)
	assert.Equal(t, instant.Of(at.Add(-5*time.Second)), hour)
	rules.Effect(&watch.Effect{Kind: watch.Record, Entry: &journal.Entry{At: instant.Of(at), Kind: journal.DailyDigest}})
	rules.Shift(-2 * time.Minute)
	_, due = rules.DailyDue(instant.Of(at.Add(-2 * time.Minute)))
	assert.False(t, due)
	_, due = rules.DailyDue(instant.Of(at.Add(time.Second)))
	assert.False(t, due, "the clock was set back past the hour, and comes to it again")
	_, due = rules.DailyDue(instant.Of(at.AddDate(0, 0, -40)))
	assert.True(t, due, "what a clock 40 days ahead has recorded does not silence the days until then")
}

func TestDigestGoesToThoseWhoTakeLowAlarms(t *testing.T) {
	rules := New([]Rule{
		{Notifier: "push", Priorities: []care.Priority{care.CriticalPriority}}, {Notifier: "late", After: time.Hour},
		{Notifier: "mail", Priorities: []care.Priority{care.LowPriority}, Quiet: &care.Light{Location: time.UTC, From: 18 * 60, To: 22 * 60}},
	})
	e := &journal.Entry{At: instant.Of(time.Date(2026, 7, 17, 19, 0, 0, 0, time.UTC)), Kind: journal.DailyDigest, Priority: "low"}
	deliveries := rules.Effect(&watch.Effect{Kind: watch.Record, Entry: e})
	assert.Equal(t, []Delivery{{Notifier: "mail", Reason: Day, Entry: e}}, deliveries)
}
