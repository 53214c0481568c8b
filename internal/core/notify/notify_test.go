package notify_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/journal"
	"dewline/internal/core/notify"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

const (
	tubHigh      = "tub-1/water-temperature/high"
	roomCritical = "loft/air-temperature/critical-high"
)

var none = math.NaN()

func at(second int) instant.Instant {
	return instant.Of(time.Date(2026, 7, 17, 12, 0, 0, 0, time.UTC)).Add(time.Duration(second) * time.Second)
}

func band(low, high, criticalHigh float64) care.DayNight {
	b := care.NoBand()
	b.Limits[care.Low], b.Limits[care.High], b.Limits[care.CriticalHigh] = low, high, criticalHigh
	b.OnDelay, b.OffDelay, b.Deadband = time.Minute, time.Minute, 0.3
	return care.DayNight{Day: b, Night: b}
}

// northLoft is a room with two tubs, with invented limits and short delays. Water alarms are high, the room's critical.
func northLoft() watch.Site {
	site := watch.Site{
		ID: "north-loft", Location: time.UTC, Light: care.Light{Location: time.UTC, AlwaysDay: true},
		Places: []watch.Place{{
			ID: "loft", Room: true,
			Bands: map[quantity.Quantity]care.DayNight{quantity.AirTemperature: band(none, none, 28)},
		}},
		Points: []watch.Point{{Point: quantity.Point{Place: "loft", Quantity: quantity.AirTemperature}, Gap: time.Minute}},
	}
	for _, id := range []string{"tub-1", "tub-2"} {
		site.Places = append(site.Places, watch.Place{
			ID: id, In: "loft", Bands: map[quantity.Quantity]care.DayNight{quantity.WaterTemperature: band(20, 24, none)},
		})
		site.Points = append(site.Points, watch.Point{Point: quantity.Point{Place: id, Quantity: quantity.WaterTemperature}, Gap: time.Minute})
	}
	return site
}

// describe renders a delivery as text: "60 webhook call tub-1/water-temperature/high B".
func describe(d notify.Delivery) string {
	return fmt.Sprintf("%d %s %s %s %s", int(d.Entry.At.Sub(at(0)).Seconds()), d.Notifier, d.Reason, d.Entry.Alarm, d.Entry.State)
}

// loft runs a core and the rules behind it, as the daemon does.
type loft struct {
	t     require.TestingT
	core  *watch.Core
	rules *notify.Rules
	now   int // seconds
	log   []notify.Delivery
	// journal is what the store would hold.
	journal []*journal.Entry
	// watching is called with each effect and the deliveries it caused.
	watching func(watch.Effect, []notify.Delivery)
}

func open(t require.TestingT, notifiers ...notify.Rule) *loft {
	return openSite(t, northLoft(), notifiers...)
}

func openSite(t require.TestingT, site watch.Site, notifiers ...notify.Rule) *loft {
	l := &loft{t: t, core: watch.New(site, "run-1"), rules: notify.New(notifiers)}
	l.rules.Site(&site)
	l.event(watch.Event{Kind: watch.StartEvent, Run: "run-1"})
	l.rules.Sync(l.core.Alarms(), at(0))
	return l
}

func (l *loft) event(ev watch.Event) {
	ev.At = at(l.now)
	for _, e := range l.core.Step(ev, nil) {
		if e.Kind == watch.Record || e.Kind == watch.Refused {
			l.journal = append(l.journal, e.Entry)
		}
		deliveries := l.rules.Effect(&e)
		l.log = append(l.log, deliveries...)
		if l.watching != nil {
			l.watching(e, deliveries)
		}
	}
}

func (l *loft) command(c watch.Command) {
	if c.By == "" {
		c.By = "keeper"
	}
	if c.Verb == watch.Acknowledge && c.Occurrence == "" {
		a, ok := l.core.Alarm(c.Alarm)
		require.True(l.t, ok, c.Alarm)
		c.Occurrence = a.Occurrence
	}
	l.event(watch.Event{Kind: watch.CommandEvent, Command: &c})
}

// run lets seconds pass with readings every 10 s: of the loft's air, and of the water of both tubs.
func (l *loft) run(length int, celsius ...float64) {
	for end := l.now + length; l.now < end; {
		l.now += 10
		l.event(watch.Event{Kind: watch.TickEvent})
		for point, v := range celsius {
			l.event(watch.Event{Point: int32(point), Value: v, Flag: quantity.Pass})
		}
		for _, c := range l.rules.Due(at(l.now)) {
			l.command(c)
		}
	}
}

// restart brings the rules back from the journal, as it comes out of the store.
func (l *loft) restart(notifiers ...notify.Rule) {
	var entries []*journal.Entry
	data, err := json.Marshal(l.journal)
	require.NoError(l.t, err)
	require.NoError(l.t, json.Unmarshal(data, &entries))
	l.rules = notify.New(notifiers)
	l.rules.Resume(entries)
	l.rules.Sync(l.core.Alarms(), at(l.now))
}

// setClock sets the clock by some seconds.
func (l *loft) setClock(by int) {
	l.now += by
	l.rules.Shift(time.Duration(by) * time.Second)
	l.event(watch.Event{Kind: watch.ClockStepEvent, By: time.Duration(by) * time.Second})
}

// take returns the deliveries since the last call.
func (l *loft) take() (lines []string) {
	for _, d := range l.log {
		lines = append(lines, describe(d))
	}
	l.log = nil
	return lines
}

var (
	high    = []care.Priority{care.HighPriority, care.CriticalPriority}
	extreme = []care.Priority{care.CriticalPriority}
)

func TestOnlyListedPrioritiesAreSent(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook", Priorities: high}, notify.Rule{Every: true, Notifier: "mail", Priorities: extreme}, notify.Rule{Every: true, Notifier: "mqtt"})
	l.run(100, 22, 25, 22)
	assert.Equal(t, []string{"70 webhook call " + tubHigh + " B", "70 mqtt call " + tubHigh + " B"}, l.take())
	l.run(100, 29, 25, 22)
	assert.Equal(t, []string{
		"170 webhook call " + roomCritical + " B", "170 mail call " + roomCritical + " B", "170 mqtt call " + roomCritical + " B",
	}, l.take())
}

func TestEndIsSentOnceWhereACallWasSent(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook", Priorities: high}, notify.Rule{Every: true, Notifier: "mail", Priorities: extreme})
	l.run(100, 22, 25, 22)
	l.take()
	l.run(200, 22, 23, 22)
	assert.Equal(t, []string{"170 webhook over " + tubHigh + " D"}, l.take(), "mail has not heard of its beginning either")
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
	l.run(100, 22, 23, 22)
	assert.Empty(t, l.take(), "the acknowledgement of what is over is no news")
	l.run(100, 22, 25, 22)
	assert.Equal(t, []string{"470 webhook call " + tubHigh + " B"}, l.take(), "a new occurrence")
}

func TestEndOfAnAcknowledgedAlarmIsSent(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook"})
	l.run(100, 22, 25, 22)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
	l.take()
	l.run(200, 22, 23, 22)
	assert.Equal(t, []string{"170 webhook over " + tubHigh + " A"}, l.take())
}

func TestRepetition(t *testing.T) {
	const again = " webhook again " + tubHigh + " B"
	for name, c := range map[string]struct {
		until string
		want  []string // once acknowledged at 1300 s
	}{
		"until acknowledged": {"acknowledged", nil},
		"by default":         {"", nil},
		"until cleared":      {notify.Cleared, []string{"1870" + again, "2470" + again}},
	} {
		t.Run(name, func(t *testing.T) {
			l := open(t, notify.Rule{Every: true, Notifier: "webhook", Repeat: 10 * time.Minute, Until: c.until}, notify.Rule{Every: true, Notifier: "mail"})
			l.run(1300, 22, 25, 22)
			assert.Equal(t, []string{
				"70 webhook call " + tubHigh + " B", "70 mail call " + tubHigh + " B", "670" + again, "1270" + again,
			}, l.take(), "mail sends it once")
			l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
			l.run(1200, 22, 25, 22)
			assert.Equal(t, c.want, l.take())
			a, _ := l.core.Alarm(tubHigh)
			assert.Equal(t, 2+len(c.want), a.Repeats, "the core counts")
			l.run(2000, 22, 23, 22)
			assert.Equal(t, []string{
				fmt.Sprintf("2570 webhook over %s %s", tubHigh, map[bool]string{true: "A", false: "D"}[c.want == nil]),
				fmt.Sprintf("2570 mail over %s %s", tubHigh, map[bool]string{true: "A", false: "D"}[c.want == nil]),
			}, l.take(), "and nothing after the end")
		})
	}
}

func TestNotifiersWithDifferentIntervalsShareARepetition(t *testing.T) {
	l := open(t,
		notify.Rule{Every: true, Notifier: "often", Repeat: 10 * time.Minute},
		notify.Rule{Every: true, Notifier: "seldom", Repeat: 30*time.Minute - 20*time.Second},
	)
	l.run(1900, 22, 25, 22)
	assert.Equal(t, []string{
		"70 often call " + tubHigh + " B", "70 seldom call " + tubHigh + " B",
		"670 often again " + tubHigh + " B", "1270 often again " + tubHigh + " B",
		// 20 s early for one of them, instead of two alarms within 20 s
		"1850 often again " + tubHigh + " B", "1850 seldom again " + tubHigh + " B",
	}, l.take())
	a, _ := l.core.Alarm(tubHigh)
	assert.Equal(t, 3, a.Repeats)
}

func TestShelvedAlarmIsNotSent(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook", Repeat: time.Minute})
	l.run(100, 22, 25, 22)
	l.take()
	l.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: 30 * time.Minute, Reason: "a test"})
	l.run(600, 22, 25, 22)
	assert.Empty(t, l.take(), "no repetition")
	l.run(300, 22, 23, 22)
	l.run(1000, 22, 23, 22)
	a, _ := l.core.Alarm(tubHigh)
	require.Equal(t, "A", string(a.Letter), "the shelf has ended")
	assert.Empty(t, l.take(), "and no end, since a person has shelved it; nor when the shelf ends")

	l.run(100, 22, 25, 22)
	l.command(watch.Command{Verb: watch.Shelve, Alarm: tubHigh, For: 5 * time.Minute, Reason: "a test"})
	l.take()
	l.run(400, 22, 25, 22)
	assert.Equal(t, "2400 webhook call "+tubHigh+" B", l.take()[0], "a shelf that ends while the condition holds is a new call")
}

func TestAlarmOutOfServiceIsNotSent(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook", Repeat: time.Minute})
	l.command(watch.Command{Verb: watch.OutOfService, Alarm: tubHigh, Reason: "a test"})
	l.run(300, 22, 25, 22)
	l.run(300, 22, 23, 22)
	assert.Empty(t, l.take())
	l.command(watch.Command{Verb: watch.InService, Alarm: tubHigh})
	assert.Empty(t, l.take())
	l.run(100, 22, 25, 22)
	assert.Equal(t, []string{"670 webhook call " + tubHigh + " B"}, l.take())
}

// TestRoomAlarmCoversItsTubs: one call instead of one each, nothing about a tub while it is covered, and then the end of the
// one that was called before.
func TestRoomAlarmCoversItsTubs(t *testing.T) {
	const tub2High = "tub-2/water-temperature/high"
	l := open(t, notify.Rule{Every: true, Notifier: "webhook"})
	l.run(100, 22, 25, 22)
	assert.Equal(t, []string{"70 webhook call " + tubHigh + " B"}, l.take())
	l.run(200, 29, 25, 25)
	assert.Equal(t, []string{"170 webhook call " + roomCritical + " B"}, l.take())
	l.run(200, 29, 23, 23)
	assert.Empty(t, l.take(), "both tubs are covered")
	l.run(200, 22, 23, 23)
	lines := l.take()
	assert.ElementsMatch(t, []string{"570 webhook over " + roomCritical + " D", "570 webhook over " + tubHigh + " A"}, lines)
	assert.NotContains(t, strings.Join(lines, "\n"), tub2High, "which was never sent")
}

func TestRestartRepeatsNoCall(t *testing.T) {
	rule := notify.Rule{Every: true, Notifier: "webhook", Repeat: 10 * time.Minute}
	l := open(t, rule)
	l.run(100, 22, 25, 22)
	l.take()
	l.rules = notify.New([]notify.Rule{rule}) // the core's state has been restored
	l.rules.Sync(l.core.Alarms(), at(l.now))
	l.run(700, 22, 25, 22)
	assert.Equal(t, []string{"700 webhook again " + tubHigh + " B"}, l.take(), "repetition goes on from the restart")
	l.run(200, 22, 23, 22)
	assert.Equal(t, []string{"870 webhook over " + tubHigh + " D"}, l.take())

	l.run(100, 22, 25, 22)
	l.command(watch.Command{Verb: watch.Acknowledge, Alarm: tubHigh})
	l.take()
	l.rules = notify.New([]notify.Rule{rule})
	l.rules.Sync(l.core.Alarms(), at(l.now))
	l.run(1300, 22, 25, 22)
	assert.Empty(t, l.take(), "it is still known to be acknowledged")
}

func TestANewConfiguration(t *testing.T) {
	once := notify.Rule{Every: true, Notifier: "webhook"}
	l := open(t, once)
	l.run(100, 22, 25, 22)
	l.take()
	l.rules.Configure([]notify.Rule{once, {Every: true, Notifier: "mail", Repeat: time.Hour}})
	l.rules.Sync(l.core.Alarms(), at(l.now))
	l.run(100, 22, 25, 22)
	assert.Equal(t, []string{"110 mail again " + tubHigh + " B"}, l.take(), "a new notifier that repeats sends the active alarms")
	l.run(3600, 22, 25, 22)
	assert.Equal(t, []string{"3710 mail again " + tubHigh + " B"}, l.take())

	l.rules.Sync(nil, at(l.now)) // the tub has left the configuration
	assert.Empty(t, l.rules.Due(at(l.now+4000)))
}

// The core answers at once or not at all: what it does not answer is asked again, so that no restart in between changes when it is heard.
func TestTheCoreIsAskedUntilItAnswers(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "webhook", Repeat: 10 * time.Minute})
	l.run(100, 22, 25, 22)
	occurrence := tubHigh + "@" + at(70).String()
	want := []watch.Command{{Verb: watch.Repeat, Alarm: tubHigh, Occurrence: occurrence, By: notify.By}}
	assert.Empty(t, l.rules.Due(at(669)))
	assert.Equal(t, want, l.rules.Due(at(670)))
	assert.Equal(t, want, l.rules.Due(at(671)))
	for _, e := range l.core.Step(watch.Event{Kind: watch.CommandEvent, At: at(672), Command: &want[0]}, nil) {
		l.rules.Effect(&e)
	}
	assert.Empty(t, l.rules.Due(at(1271)))
	assert.Equal(t, want, l.rules.Due(at(1272)))

	// A refusal ends it, so that the journal is not filled with them.
	refused := l.core.Refuse(at(1273), &want[0], "there is no such alarm", nil)
	assert.Empty(t, l.rules.Effect(&refused[0]))
	assert.Empty(t, l.rules.Due(at(7000)))
}

func TestClockStepNeitherHurriesNorDelays(t *testing.T) {
	for _, by := range []time.Duration{24 * time.Hour, -24 * time.Hour} {
		l := open(t, notify.Rule{Every: true, Notifier: "webhook", Repeat: 10 * time.Minute})
		l.run(100, 22, 25, 22)
		l.rules.Shift(by)
		assert.Empty(t, l.rules.Due(at(669).Add(by)), by)
		assert.Len(t, l.rules.Due(at(670).Add(by)), 1, by)
		l.rules.Shift(-by)
		assert.Empty(t, l.rules.Due(at(669)), by)
	}
}

func TestUnreadablePriorityGoesToAll(t *testing.T) {
	l := open(t, notify.Rule{Every: true, Notifier: "mail", Priorities: extreme})
	l.run(60, 22, 25, 22)
	effects := l.core.Step(watch.Event{At: at(70), Point: 1, Value: 25, Flag: quantity.Pass}, nil)
	require.Len(t, effects, 2)
	effects[0].Entry.Priority = "urgent"
	assert.Empty(t, l.rules.Effect(&effects[0]))
	require.Len(t, l.rules.Effect(&effects[1]), 1)
}
