package watch_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// keeper keeps of a core what a daemon keeps: a whole state, what has changed since with each entry, and the readings.
type keeper struct {
	t        *rapid.T
	core     *watch.Core
	whole    []byte
	parts    [][]byte
	readings []watch.Event
	exact    []byte // the whole state at the last entry, and the readings since
	late     []watch.Event
}

// step folds an event in, and the time up to it: a daemon looks each second.
func (k *keeper) step(ev watch.Event) {
	if ev.Kind != watch.TickEvent && ev.Kind != watch.ClockStepEvent && k.core.Due(ev.At) {
		k.step(watch.Event{Kind: watch.TickEvent, At: ev.At})
	}
	out := k.core.Step(ev, nil)
	if ev.Kind == watch.ReadingEvent {
		k.readings, k.late = append(k.readings, ev), append(k.late, ev)
	}
	if slices.ContainsFunc(out, func(e watch.Effect) bool { return e.Entry != nil }) {
		k.save(false)
	}
}

func (k *keeper) save(whole bool) {
	var err error
	k.late = nil
	k.exact, err = k.core.Snapshot()
	require.NoError(k.t, err)
	state, part, err := k.core.Save(whole)
	require.NoError(k.t, err)
	if part {
		k.parts = append(k.parts, state)
	} else {
		k.whole, k.parts, k.readings = state, nil, nil
	}
}

// resume returns the core of the next run, and the entries that the readings have brought about in it.
func (k *keeper) resume(site watch.Site, readings []watch.Event, whole []byte, parts ...[]byte) (next *watch.Core, entries []watch.Effect) {
	next = watch.New(site, "other")
	require.NoError(k.t, next.Restore(whole, parts...))
	next.ForgetFailures()
	for _, ev := range readings {
		if next.Seen(&ev) {
			continue
		}
		if next.Due(ev.At) {
			entries = next.Step(watch.Event{Kind: watch.TickEvent, At: ev.At}, entries)
		}
		entries = next.Step(ev, entries)
	}
	return next, entriesOf(entries)
}

func entriesOf(effects []watch.Effect) []watch.Effect {
	return slices.DeleteFunc(effects, func(e watch.Effect) bool { return e.Entry == nil })
}

// A program that is killed anywhere goes on from the last whole state, the parts that were saved with entries since, and the readings: it
// raises nothing that it would not raise with the whole state of the last entry, and is where it would be with that. What neither has is what
// is known since then of sensors beside their readings.
func TestPartsOfTheStateAndReadingsAreTheWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site := room(t)
		pressure := quantity.Point{Place: "loft", Quantity: quantity.Pressure} // with it the tub has a derived point whose inputs lie apart
		site.Points = append(site.Points, watch.Point{Point: pressure, Gap: 45 * time.Second})
		k := keeper{t: t, core: watch.New(site, "run-1")}
		events := drawEvents(t, k.core)
		for i := range events {
			if ev := &events[i]; ev.Kind == watch.ReadingEvent && i%5 == 0 {
				ev.Point, ev.Value = int32(len(site.Points)-1), 101_000+float64(i)
			}
		}
		cut := rapid.IntRange(1, len(events)).Draw(t, "cut")
		for _, ev := range events[:cut] {
			k.step(ev)
			if rapid.IntRange(0, 30).Draw(t, "a whole state") == 0 {
				k.save(true)
			}
		}
		exact, want := k.resume(site, k.late, k.exact)
		next, got := k.resume(site, k.readings, k.whole, k.parts...)
		require.Equal(t, text(want), text(got))
		start := watch.Event{Kind: watch.StartEvent, At: events[cut-1].At, Run: "run-2"}
		for i, ev := range append([]watch.Event{start, {Kind: watch.TickEvent, At: start.At}}, events[cut:]...) {
			require.Equal(t, text(entriesOf(exact.Step(ev, nil))), text(entriesOf(next.Step(ev, nil))))
			if i == 1 {
				found := next.Alarms()
				for i, had := range exact.Alarms() {
					require.Equal(t, fmt.Sprint(had), fmt.Sprint(found[i]))
				}
			}
		}
		end := events[len(events)-1].At
		require.Equal(t, text(comparable(exact.Finish(end, nil), len(site.Points))), text(comparable(next.Finish(end, nil), len(site.Points))))
	})
}

// comparable leaves out the sum whose last digits depend on which rates are remembered. Of a derived point it leaves the times and the
// extremes: at the time of a saved state its inputs may join twice, with the same value, which cuts its sums elsewhere.
func comparable(effects []watch.Effect, measured int) []watch.Effect {
	for _, e := range effects {
		if l := e.Ledger; l != nil {
			l.Kinetic = 0
			if int(e.Point) >= measured {
				*l = watch.Ledger{From: l.From, To: l.To, InZone: l.InZone, Min: l.Min, Max: l.Max, Excursions: l.Excursions, Longest: l.Longest}
			}
		}
	}
	return effects
}
