package control

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/acclimate"
	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
	"dewline/internal/core/watch"
	"dewline/internal/server/status"
)

// twoTubs is a picture of two tubs at 24.5 and 22 °C, of damp air, and of a tub whose probe is silent.
func twoTubs(unit quantity.Unit) *status.Snapshot {
	point := func(place string, q quantity.Quantity, value float64, zone watch.Zone) watch.PointState {
		return watch.PointState{Point: quantity.Point{Place: place, Quantity: q}, Value: value, Zone: zone}
	}
	return &status.Snapshot{
		At: time.Date(2026, 7, 6, 12, 0, 0, 0, time.UTC), Location: time.UTC, Display: unit, Titles: map[string]string{"tub-1": "Tub 1"},
		Points: []watch.PointState{
			point("tub-1", quantity.WaterTemperature, 24.5, watch.InBand), point("tub-2", quantity.WaterTemperature, 22, watch.InBand),
			point("loft", quantity.RelativeHumidity, 80, watch.InBand), point("tub-3", quantity.WaterTemperature, 20, watch.UnknownZone),
		},
	}
}

// falling are pairs whose difference falls by a rate an hour to the one of now.
func falling(rate, now float64) Comparer {
	return func(_ context.Context, _, _ quantity.Point, at instant.Instant) (pairs []acclimate.Pair, err error) {
		for i := CompareMinutes; i > 0; i-- {
			pairs = append(pairs, acclimate.Pair{At: at.Add(-time.Duration(i) * time.Minute), A: 22 + now + rate*float64(i)/60, B: 22})
		}
		return pairs, nil
	}
}

func TestCompare(t *testing.T) {
	tubs := CompareRequest{A: "tub-1/water-temperature", B: "tub-2/water-temperature"}
	c, err := tubs.Compare(t.Context(), twoTubs(quantity.Celsius), falling(1.5, 2.5))
	require.NoError(t, err)
	assert.Equal(t, "Tub 1 (water-temperature) is at 24.5 °C, tub-2 (water-temperature) at 22.0 °C: 2.5 K more. That is not within 1.0 K. "+
		"Bring them together in no less than 45m: 2.0 K an hour at most (common practice, no published source). "+
		"At the present rate it takes 1h. The difference changes by 1.5 K an hour.", c.Words)
	c, err = tubs.Compare(t.Context(), twoTubs(quantity.Fahrenheit), falling(3, 2.5))
	require.NoError(t, err)
	assert.True(t, c.TooFast)
	assert.Contains(t, c.Words, "76.1 °F")
	assert.Contains(t, c.Words, "The difference changes by 5.4 °F an hour, which is too fast: slow it down.")

	near := tubs
	near.Within, near.For = "4.5 degF", "30m"
	c, err = near.Compare(t.Context(), twoTubs(quantity.Celsius), falling(0, 2.5))
	require.NoError(t, err)
	assert.True(t, c.Settled)
	assert.InDelta(t, 2.5, c.Within, 1e-9)
	assert.Contains(t, c.Words, "They have been within 2.5 K since 6 Jul 2026 06:00, long enough.")
	c, err = near.Compare(t.Context(), twoTubs(quantity.Celsius), nil)
	require.NoError(t, err)
	assert.True(t, c.Near)
	assert.False(t, c.Settled)
	assert.Contains(t, c.Words, "wait until 6 Jul 2026 12:30. How fast the difference changes is not known yet")

	c, err = CompareRequest{A: "tub-1/water-temperature", B: "tub-3/water-temperature"}.Compare(t.Context(), twoTubs(quantity.Celsius), nil)
	require.NoError(t, err)
	assert.Nil(t, c.Difference)
	assert.Equal(t, "tub-3 (water-temperature) has no reading now, so that nothing can be compared: look at its sensor.", c.Words)
}

func TestCompareRefuses(t *testing.T) {
	say := func(r CompareRequest) string {
		_, err := r.Compare(t.Context(), twoTubs(quantity.Celsius), nil)
		require.Error(t, err)
		return err.Error()
	}
	const a, b = "tub-1/water-temperature", "tub-2/water-temperature"
	assert.Equal(t, `there is no point "tub-2": there are tub-2/water-temperature`, say(CompareRequest{A: a, B: "tub-2"}))
	assert.Equal(t, `there is no point "tub-9/x", since nothing is measured at a place "tub-9": there are tub-1, tub-2, loft, tub-3`, say(CompareRequest{A: "tub-9/x", B: b}))
	assert.Equal(t, `there is no point "tub-1/x": there are tub-1/water-temperature`, say(CompareRequest{A: "tub-1/x", B: b}))
	assert.Contains(t, say(CompareRequest{A: a}), "name two points")
	assert.Contains(t, say(CompareRequest{A: a, B: a}), "compared with itself")
	assert.Contains(t, say(CompareRequest{A: a, B: "loft/relative-humidity"}), "measure different things")
	assert.Contains(t, say(CompareRequest{A: a, B: b, Within: "1"}), "within: ")
	assert.Contains(t, say(CompareRequest{A: a, B: b, Within: "-1 K"}), "say how near")
	assert.Contains(t, say(CompareRequest{A: a, B: b, For: "7h"}), "no length of time up to 6h")
	_, err := CompareRequest{A: a, B: b}.Compare(t.Context(), twoTubs(quantity.Celsius), func(context.Context, quantity.Point, quantity.Point, instant.Instant) ([]acclimate.Pair, error) {
		return nil, errors.New("disk I/O error")
	})
	assert.ErrorContains(t, err, "the last hours could not be read: disk I/O error")
}
