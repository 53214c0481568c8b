package notify_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/nuisance"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// wideLoft is a loft with many tubs: the alarms of the first half are high, the others medium. The room's own are high at
// 26 °C and critical at 28 °C.
func wideLoft(tubs int) watch.Site {
	site := northLoft()
	site.Places, site.Points = site.Places[:1], site.Points[:1]
	site.Places[0].Bands = map[quantity.Quantity]care.DayNight{quantity.AirTemperature: band(none, 26, none)}
	for i := range tubs {
		id := fmt.Sprintf("tub-%d", i+1)
		b := band(20, 24, none)
		if i >= tubs/2 {
			b.Day.Priority, b.Night.Priority = care.MediumPriority, care.MediumPriority
		}
		site.Places = append(site.Places, watch.Place{ID: id, Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}})
		site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: id, Quantity: quantity.WaterTemperature}, Gap: time.Minute})
	}
	return site
}

// temperatures are those of the loft and of so many tubs, the first hot of them too warm.
func temperatures(air float64, tubs, hot int) []float64 {
	list := []float64{air}
	for i := range tubs {
		if i < hot {
			list = append(list, 25)
		} else {
			list = append(list, 22)
		}
	}
	return list
}

func count(l *loft, why notify.Reason) (n int) {
	for _, d := range l.log {
		if d.Reason == why {
			n++
		}
	}
	return n
}

func ofKind(l *loft, kind journal.Kind) (found []*journal.Entry) {
	for _, e := range l.journal {
		if e.Kind == kind {
			found = append(found, e)
		}
	}
	return found
}

// TestFloodIsSentInSummaries: twenty tubs and the loft get too warm within one bin (12:00 to 12:10 UTC).
func TestFloodIsSentInSummaries(t *testing.T) {
	l := openSite(t, wideLoft(20), notify.Rule{Every: true, Notifier: "webhook"}, notify.Rule{Every: true, Notifier: "mail", Priorities: extreme})
	l.run(100, temperatures(22, 20, 20)...)
	assert.Equal(t, 10, count(l, notify.Call), "the first ten go out before anybody can know")
	l.run(400, temperatures(27, 20, 20)...)
	assert.Equal(t, 11, count(l, notify.Call), "the air is no part of a flood of warm water: its first alarm goes out at once")
	assert.Equal(t, "loft/air-temperature/high", l.log[len(l.log)-1].Entry.Alarm)
	began := ofKind(l, journal.FloodBegan)
	require.Len(t, began, 1)
	assert.Equal(t, at(0), *began[0].Since, "it counts from the start of its bin")
	since, is := l.rules.Flood()
	assert.True(t, is)
	assert.Equal(t, at(0), since)

	l.log = nil
	l.run(110, temperatures(27, 20, 20)...)
	require.Len(t, l.log, 1)
	assert.Equal(t, notify.Digest, l.log[0].Reason)
	assert.Equal(t, "webhook", l.log[0].Notifier)
	assert.Equal(t, at(600), l.log[0].Entry.At)
	assert.Equal(t, "medium", l.log[0].Entry.Priority)
	assert.Equal(t, "10 alarms in the last ten minutes; not acknowledged: "+
		"tub-11/water-temperature/high (medium), tub-12/water-temperature/high (medium), tub-13/water-temperature/high (medium), "+
		"tub-14/water-temperature/high (medium), tub-15/water-temperature/high (medium), tub-16/water-temperature/high (medium), "+
		"tub-17/water-temperature/high (medium), tub-18/water-temperature/high (medium), tub-19/water-temperature/high (medium), "+
		"tub-20/water-temperature/high (medium)", l.log[0].Entry.Text)
	assert.Empty(t, ofKind(l, journal.FloodEnded))

	l.log = nil
	l.run(600, temperatures(27, 20, 20)...)
	assert.Empty(t, l.log, "nothing new has happened")
	ended := ofKind(l, journal.FloodEnded)
	require.Len(t, ended, 1)
	assert.Equal(t, at(1200), ended[0].At)
	assert.Equal(t, "21 alarms within 10 minutes", ended[0].Text, "it was over before the bin that was quiet")
	_, is = l.rules.Flood()
	assert.False(t, is)
	l.run(200, temperatures(22, 20, 0)...)
	assert.Equal(t, 21, count(l, notify.Over), "the end of each call that was sent")
}

func TestCriticalAlarmsAreNeverSummarised(t *testing.T) {
	site := wideLoft(20)
	site.Places[0].Bands = map[quantity.Quantity]care.DayNight{quantity.AirTemperature: band(none, none, 28)}
	l := openSite(t, site, notify.Rule{Every: true, Notifier: "webhook"})
	l.run(100, temperatures(22, 20, 20)...)
	l.log = nil
	l.run(100, temperatures(29, 20, 20)...)
	require.Len(t, l.log, 1)
	assert.Equal(t, "170 webhook call "+roomCritical+" B", describe(l.log[0]))
}

// TestFloodsAreThoseOfTheReport: over random bins of annunciations the live rules find the same floods as the definition applied
// to the bins afterwards. Restarts change nothing.
func TestFloodsAreThoseOfTheReport(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rules := []notify.Rule{{Every: true, Notifier: "webhook"}}
		l := openSite(t, wideLoft(1), rules...)
		seq := uint64(1000)
		bins := rapid.SliceOfN(rapid.IntRange(0, 14), 1, 8).Draw(t, "annunciations in each bin")
		restarts := rapid.SliceOfN(rapid.Bool(), len(bins), len(bins)).Draw(t, "restarts")
		want, inFlood := []string(nil), false
		for b, n := range bins {
			before := inFlood
			inFlood = nuisance.InFlood(before, n)
			if inFlood && !before {
				want = append(want, fmt.Sprint("began in ", b))
			}
			if before && !inFlood {
				want = append(want, fmt.Sprint("ended before ", b))
			}
			for i := range n {
				l.now = 600*b + 10*i
				seq++
				name := fmt.Sprintf("tub-%d/water-temperature/high", i)
				e := &journal.Entry{
					Seq: seq, Run: "run-1", At: at(l.now), Kind: journal.AlarmRaised, Alarm: name, Occurrence: fmt.Sprint(name, seq),
					State: "B", Was: "A", Priority: "high",
				}
				l.journal = append(l.journal, e)
				l.rules.Effect(&watch.Effect{Kind: watch.Record, Entry: e})
				l.rules.Effect(&watch.Effect{Kind: watch.Notify, Entry: e})
				for _, c := range l.rules.Due(at(l.now)) {
					l.command(c)
				}
			}
			if restarts[b] {
				l.rules = notify.New(rules)
				l.rules.Resume(l.journal)
			}
			l.now = 600 * (b + 1)
			for _, c := range l.rules.Due(at(l.now)) {
				l.command(c)
			}
		}
		var got []string
		for _, e := range l.journal {
			switch e.Kind {
			case journal.FloodBegan:
				got = append(got, fmt.Sprint("began in ", int(e.Since.Sub(at(0))/nuisance.Bin)))
			case journal.FloodEnded:
				got = append(got, fmt.Sprint("ended before ", int(e.At.Sub(at(0))/nuisance.Bin)-1))
			}
		}
		assert.Equal(t, want, got)
	})
}

// TestOneProbeIsNoFlood: whatever one probe does, the alarm of another tub is sent at once.
func TestOneProbeIsNoFlood(t *testing.T) {
	site := wideLoft(2)
	b := band(20, 24, none)
	b.Day.OnDelay, b.Day.OffDelay = 0, 0
	b.Night = b.Day
	site.Places[1].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	l := openSite(t, site, notify.Rule{Every: true, Notifier: "webhook"})
	l.run(20, 22, 22, 22)
	for range 20 {
		l.run(10, 22, 25, 22)
		l.run(10, 22, 22, 22)
	}
	_, is := l.rules.Flood()
	assert.False(t, is)
	l.log = nil
	l.run(70, 22, 22, 25)
	require.NotEmpty(t, l.log)
	last := l.log[len(l.log)-1]
	assert.Equal(t, notify.Call, last.Reason)
	assert.Equal(t, "tub-2/water-temperature/high", last.Entry.Alarm)
}

// TestAlarmOutsideAFloodIsSentAtOnce: among twelve tubs that are too warm one gets too cold.
func TestAlarmOutsideAFloodIsSentAtOnce(t *testing.T) {
	l := openSite(t, wideLoft(13), notify.Rule{Every: true, Notifier: "webhook"})
	l.run(100, temperatures(22, 13, 12)...)
	_, is := l.rules.Flood()
	require.True(t, is)
	l.log = nil
	cold := temperatures(22, 13, 12)
	cold[13] = 18
	l.run(80, cold...)
	require.Len(t, l.log, 1)
	assert.Equal(t, "tub-13/water-temperature/low", l.log[0].Entry.Alarm)
	assert.Equal(t, notify.Call, l.log[0].Reason)
}

// quick is a loft of which the alarms come and go within seconds.
func quick(p care.Priority) watch.Site {
	site := wideLoft(1)
	b := band(20, 24, none)
	b.Day.OnDelay, b.Day.OffDelay, b.Day.Priority = 0, 0, p
	b.Night = b.Day
	site.Places[1].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	return site
}

// chatter makes the tub come and go, 10 s each.
func chatter(l *loft, times int) {
	for range times {
		l.run(10, 22, 25)
		l.run(10, 22, 22)
	}
}

func TestAChatteringAlarmIsHeldToOneCallInTenMinutes(t *testing.T) {
	l := openSite(t, quick(care.MediumPriority), notify.Rule{Every: true, Notifier: "webhook"}, notify.Rule{Every: true, Notifier: "mail", Priorities: high})
	l.run(20, 22, 22)
	chatter(l, 4)
	assert.Equal(t, 3, count(l, notify.Call), "three show it, the fourth is held back")
	l.run(100, 22, 22)
	chatter(l, 2)
	assert.Equal(t, 3, count(l, notify.Call))
	l.run(20, 22, 25)
	assert.Equal(t, 0, count(l, notify.Late))
	l.run(600, 22, 25)
	assert.Equal(t, 1, count(l, notify.Late), "it is active, and ten minutes have passed since the last call")
	assert.Equal(t, "670 webhook late "+tubHigh+" B", describe(l.log[len(l.log)-1]))
	l.run(20, 22, 22)
	assert.Equal(t, 4, count(l, notify.Over), "one for each call that was sent")
	assert.Equal(t, 1, count(l, notify.Advice))
	notes := ofKind(l, journal.Chattering)
	require.Len(t, notes, 1, "said once a day")
	assert.Equal(t, tubHigh, notes[0].Alarm)
	assert.Contains(t, notes[0].Text, "deadband")
	for _, d := range l.log {
		assert.Equal(t, "webhook", d.Notifier, "mail does not listen to low")
	}
	l.now += 86400
	l.restart(notify.Rule{Every: true, Notifier: "webhook"})
	chatter(l, 4)
	assert.Len(t, ofKind(l, journal.Chattering), 2, "and again on the next day")
}

func TestACriticalAlarmMayChatter(t *testing.T) {
	site := quick(care.MediumPriority)
	b := band(none, none, 24)
	b.Day.OnDelay, b.Day.CriticalOnDelay, b.Day.OffDelay = 0, 0, 0
	b.Night = b.Day
	site.Places[1].Bands = map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: b}
	l := openSite(t, site, notify.Rule{Every: true, Notifier: "webhook"})
	l.run(20, 22, 22)
	chatter(l, 30) // which is a flood as well
	assert.Equal(t, 30, count(l, notify.Call))
	assert.Len(t, ofKind(l, journal.Chattering), 1)
}

func TestAFleetingAlarmIsNoted(t *testing.T) {
	l := openSite(t, quick(care.MediumPriority), notify.Rule{Every: true, Notifier: "webhook"})
	l.run(300, 22, 22)
	flit := func() {
		l.now += 5
		l.event(watch.Event{Point: 1, Value: 25, Flag: quantity.Pass})
		l.now += 5
		l.event(watch.Event{Point: 1, Value: 22, Flag: quantity.Pass})
	}
	flit()
	l.run(60, 22, 22)
	assert.Empty(t, ofKind(l, journal.Fleeting), "it may be the first of several")
	l.run(60, 22, 22)
	require.Len(t, ofKind(l, journal.Fleeting), 1)
	assert.True(t, strings.HasPrefix(ofKind(l, journal.Fleeting)[0].Text, tubHigh+" was gone again"))
	flit()
	l.run(300, 22, 22)
	assert.Len(t, ofKind(l, journal.Fleeting), 1, "once a day")
	assert.Empty(t, ofKind(l, journal.Chattering))
}
