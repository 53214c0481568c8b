package notify_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/isa"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// softLoft is the loft with alarms of water that are low (tub-1) and medium (tub-2).
func softLoft() watch.Site {
	site := northLoft()
	for i, p := range []care.Priority{care.LowPriority, care.MediumPriority} {
		b := band(20, 24, none)
		b.Day.Priority, b.Night.Priority = p, p
		site.Places[i+1].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	}
	return site
}

// quietRule is a rule with quiet hours from 12:10 to 14:00 UTC: the loft's time begins at 12:00.
func quietRule(notifier string) notify.Rule {
	return notify.Rule{Every: true, Notifier: notifier, Quiet: &care.Light{Location: time.UTC, From: 12*60 + 10, To: 14 * 60}}
}

const (
	tub2High  = "tub-2/water-temperature/high"
	quietFrom = 600
	quietTo   = 7200
)

func TestQuietHoursHoldBackUntilTheyEnd(t *testing.T) {
	l := openSite(t, softLoft(), quietRule("mail"), notify.Rule{Every: true, Notifier: "webhook"})
	l.run(quietFrom, 22, 22, 22)
	l.run(3000, 22, 25, 25)
	assert.Equal(t, []string{"670 webhook call " + tubHigh + " B", "670 webhook call " + tub2High + " B"}, l.take(), "only mail is quiet")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tub2High})
	l.run(quietTo-l.now-10, 22, 25, 25)
	assert.Empty(t, l.take())
	l.run(600, 22, 25, 25)
	assert.Equal(t, []string{"7200 mail late " + tubHigh + " B"}, l.take(), "once, and not what was acknowledged")
	l.run(200, 22, 22, 22)
	assert.Contains(t, l.take(), "7860 mail over "+tubHigh+" D")
}

func TestCriticalAndHighIgnoreQuietHours(t *testing.T) {
	l := open(t, quietRule("mail"))
	l.run(quietFrom, 22, 22, 22)
	l.run(100, 22, 25, 22)
	l.run(100, 29, 25, 22)
	assert.Equal(t, []string{"670 mail call " + tubHigh + " B", "770 mail call " + roomCritical + " B"}, l.take())
}

func TestAlarmsThatEndInQuietHoursAreOneLine(t *testing.T) {
	l := openSite(t, softLoft(), quietRule("mail"))
	l.run(100, 22, 25, 22) // sent before they begin
	assert.Equal(t, []string{"70 mail call " + tubHigh + " B"}, l.take())
	l.run(quietFrom, 22, 25, 22)
	l.run(600, 22, 22, 25) // the one ends, the other comes
	l.run(600, 22, 22, 22) // and goes
	assert.Empty(t, l.take())
	l.restart(quietRule("mail"))
	l.run(quietTo-l.now, 22, 22, 22)
	require.Len(t, l.log, 1)
	assert.Equal(t, "in the quiet hours; over: "+tub2High+" (medium), "+tubHigh+" (low)", l.log[0].Entry.Text)
	assert.Equal(t, notify.Digest, l.log[0].Reason)
	l.restart(quietRule("mail"))
	l.run(600, 22, 22, 22)
	assert.Len(t, l.log, 1, "and only once")
}

// TestQuietHoursFollowTheZone: on 29 March 2026 the clocks of Lisbon go from 01:00 to 02:00, and on 25 October from 02:00 back
// to 01:00 (IANA time zone database). Quiet hours from 22:00 to 07:00 end at 07:00 local time in each case.
func TestQuietHoursFollowTheZone(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	quiet := &care.Light{Location: lisbon, From: 22 * 60, To: 7 * 60}
	for _, c := range []struct {
		at    string
		quiet bool
	}{
		{"2026-03-28T21:59:59Z", false}, {"2026-03-28T22:00:00Z", true}, {"2026-03-29T05:59:59Z", true}, {"2026-03-29T06:00:00Z", false},
		{"2026-10-24T20:59:59Z", false}, {"2026-10-24T21:00:00Z", true}, {"2026-10-25T06:59:59Z", true}, {"2026-10-25T07:00:00Z", false},
	} {
		now, err := instant.Parse(c.at)
		require.NoError(t, err)
		rules := notify.New([]notify.Rule{{Every: true, Notifier: "mail", Quiet: quiet}})
		raised := &watch.Effect{Kind: watch.Record, Entry: &journal.Entry{
			Seq: 1, Run: "run-1", At: now, Kind: "alarm.raised", Alarm: tubHigh, Occurrence: "1", State: "B", Was: "A", Priority: "low",
		}}
		rules.Effect(raised)
		raised.Kind = watch.Notify
		assert.Equal(t, c.quiet, len(rules.Effect(raised)) == 0, c.at)
	}
}

// TestLawsOfQuietHours: no low or medium alarm is sent in quiet hours; an alarm that is active at their end is sent once; an alarm that
// was sent is active or its end is sent; and a notifier with quiet hours covers every alarm, one way or the other.
func TestLawsOfQuietHours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rule := quietRule("mail")
		rule.Quiet.From = rapid.IntRange(0, 1439).Draw(t, "from")
		rule.Quiet.To = (rule.Quiet.From + rapid.IntRange(1, 1439).Draw(t, "length")) % 1440 // a configuration with none is refused
		rule.Repeat = rapid.SampledFrom([]time.Duration{0, 45 * time.Minute}).Draw(t, "repeat")
		site := softLoft()
		l := openSite(t, site, rule)
		quiet := func(at instant.Instant) bool { return rule.Quiet.IsDay(at.Time()) }
		open := map[string]bool{}    // occurrence → sent and not over
		unheard := map[string]bool{} // alarm → raised, or raised and cleared, and not sent
		l.watching = func(e watch.Effect, deliveries []notify.Delivery) {
			if e.Kind == watch.Notify && len(deliveries) == 0 {
				unheard[e.Entry.Alarm] = true
				delete(open, e.Entry.Occurrence) // a suppression that ended has brought it back, and that will be sent
			}
			if e.Kind == watch.Record && e.Entry.Kind == "alarm.acknowledged" {
				delete(unheard, e.Entry.Alarm)
			}
			for _, d := range deliveries {
				if d.Reason == notify.Digest {
					for name := range unheard {
						if strings.Contains(d.Entry.Text, name) {
							delete(unheard, name)
						}
					}
					assert.False(t, quiet(d.Entry.At), "a summary in the quiet hours")
					continue
				}
				soft := d.Entry.Priority == "low" || d.Entry.Priority == "medium"
				assert.False(t, soft && quiet(d.Entry.At), "sent in quiet hours: %s", describe(d))
				switch d.Reason {
				case notify.Call, notify.Late: // a cover that ends brings the same occurrence back
					assert.False(t, open[d.Entry.Occurrence] && d.Entry.Kind != "alarm.returned", "sent twice: %s", describe(d))
					open[d.Entry.Occurrence] = true
				case notify.Over:
					assert.True(t, open[d.Entry.Occurrence], describe(d))
					delete(open, d.Entry.Occurrence)
				}
				delete(unheard, d.Entry.Alarm)
			}
		}
		for range rapid.IntRange(1, 15).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"run", "run", "run", "acknowledge", "restart"}).Draw(t, "what") {
			case "run":
				l.run(rapid.IntRange(1, 1200).Draw(t, "tens of seconds")*10, rapid.SampledFrom([]float64{22, 22, 29}).Draw(t, "air"),
					rapid.SampledFrom([]float64{22, 25}).Draw(t, "tub-1"), rapid.SampledFrom([]float64{22, 25}).Draw(t, "tub-2"))
			case "acknowledge":
				for _, name := range []string{tubHigh, tub2High} {
					if a, ok := l.core.Alarm(name); ok && a.Letter == isa.Unacknowledged {
						l.command(watch.Command{Verb: watch.Acknowledge, Occurrence: a.Occurrence})
					}
				}
			case "restart":
				l.restart(rule)
			}
		}
		l.watching = nil
		if quiet(at(l.now)) {
			return
		}
		for name := range unheard {
			a, _ := l.core.Alarm(name)
			assert.Equal(t, isa.SuppressedByDesign, a.Letter, "%s was never sent", name)
		}
	})
}
