package web

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
)

// The bands that are drawn are those that the core had in force: for any timeline of stages, any stage changes and moves by command, any
// light hours, place bands or not, across a change of the clock.
func TestBandsAreThoseOfTheCore(t *testing.T) {
	location, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	begin := time.Date(2026, 10, 22, 0, 0, 0, 0, location) // the clocks are set back on the 25th
	point := quantity.Point{Place: "tub-1", Quantity: quantity.WaterTemperature}
	const hours = 8 * 24
	rapid.Check(t, func(t *rapid.T) {
		band := func(name string) care.Band {
			b := care.NoBand()
			b.Limits[care.High] = rapid.Float64Range(10, 30).Draw(t, name)
			return b
		}
		profile := &care.Profile{Care: map[care.Stage]care.Care{}}
		for _, s := range care.All() {
			if rapid.Bool().Draw(t, "cares for "+s.String()) {
				profile.Care[s] = care.Care{Stage: s, Bands: map[quantity.Quantity]care.DayNight{point.Quantity: {Day: band("day"), Night: band("night")}}}
			}
		}
		anHour := rapid.IntRange(-24, hours-1)
		var timeline []care.Since
		for _, h := range rapid.SliceOfNDistinct(anHour, 0, 4, rapid.ID).Draw(t, "configured at") {
			timeline = append(timeline, care.Since{Stage: rapid.SampledFrom(care.All()).Draw(t, "stage"), At: begin.Add(time.Duration(h) * time.Hour)})
		}
		slices.SortFunc(timeline, func(a, b care.Since) int { return a.At.Compare(b.At) })
		place := watch.Place{ID: "tub-1"}
		if rapid.IntRange(0, 3).Draw(t, "own band") == 0 {
			place.Bands = map[quantity.Quantity]care.DayNight{point.Quantity: {Day: band("own"), Night: band("own by night")}}
		}
		from := rapid.IntRange(0, 24*60-1).Draw(t, "light from")
		site := watch.Site{
			ID: "x", Location: location, Light: care.Light{Location: location, From: from, To: rapid.IntRange(0, 24*60-1).Draw(t, "light to")},
			Places: []watch.Place{place, {ID: "tub-2"}}, Points: []watch.Point{{Point: point, Gap: 2 * time.Hour}}, Profiles: map[string]*care.Profile{"p": profile},
			Cohorts: []watch.Cohort{{ID: "a", Profile: "p", Place: "tub-1", Stages: timeline}},
		}
		core := watch.New(site, "run")
		core.Step(watch.Event{Kind: watch.StartEvent, At: instant.Of(begin)}, nil)
		index, _ := core.Index(point)
		said := rapid.SliceOfNDistinct(rapid.IntRange(1, hours-1), 0, 4, rapid.ID).Draw(t, "said at")
		slices.Sort(said)
		var inForce [hours]care.Band
		for h := range hours {
			// Half past, so that no boundary but a drawn minute of the light falls on the moment that is looked at.
			at := instant.Of(begin.Add(time.Duration(h)*time.Hour + 30*time.Minute))
			if slices.Contains(said, h) {
				command := watch.Command{Verb: watch.SetStage, Cohort: "a", Stage: rapid.SampledFrom(care.All()).Draw(t, "set").String()}
				if rapid.Bool().Draw(t, "moves") {
					command = watch.Command{Verb: watch.MoveCohort, Cohort: "a", Place: rapid.SampledFrom([]string{"tub-1", "tub-2"}).Draw(t, "to")}
				}
				core.Step(watch.Event{Kind: watch.CommandEvent, At: at.Add(-time.Minute), Command: &command}, nil)
			}
			core.Step(watch.Event{Kind: watch.ReadingEvent, At: at, Point: index, Value: 20, Flag: quantity.Pass}, nil)
			inForce[h] = core.State(index).Band
		}
		end := instant.Of(begin.Add(hours * time.Hour))
		site.Intervals = core.Animals()
		spans := bandsOver(&site, point, instant.Of(begin), end)
		require.Equal(t, instant.Of(begin), spans[0].From)
		require.Equal(t, end, spans[len(spans)-1].To)
		for i := 1; i < len(spans); i++ {
			require.Equal(t, spans[i-1].To, spans[i].From)
			require.False(t, sameBand(&spans[i-1], &spans[i]))
		}
		for h := range hours {
			at := instant.Of(begin.Add(time.Duration(h)*time.Hour + 30*time.Minute))
			k := slices.IndexFunc(spans, func(s BandSpan) bool { return at < s.To })
			want, got := inForce[h].Limits[care.High], spans[k].Band.Limits[care.High]
			require.True(t, want == got || math.IsNaN(want) && math.IsNaN(got), "%s: core %v, drawn %v", at, want, got)
		}
	})
}

// Light hours and the dark between them make up the range, on the day of 25 hours as on any other.
func TestLightSpansFollowTheSwitches(t *testing.T) {
	location, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	light := care.Light{Location: location, From: 7 * 60, To: 19 * 60}
	from := instant.Of(time.Date(2026, 10, 24, 12, 0, 0, 0, location))
	spans := lightSpans(&light, from, instant.Of(time.Date(2026, 10, 26, 9, 0, 0, 0, location)))
	require.Len(t, spans, 3)
	require.Equal(t, from, spans[0].From)
	require.Equal(t, 13*time.Hour, spans[1].From.Sub(spans[0].To), "the night of the change is an hour longer")
	require.Equal(t, 12*time.Hour, spans[1].To.Sub(spans[1].From))
	require.Equal(t, 2*time.Hour, spans[2].To.Sub(spans[2].From))
	constant := care.Light{Location: location, AlwaysDay: true}
	require.Empty(t, lightSpans(&constant, from, from.Add(time.Hour)))
}
