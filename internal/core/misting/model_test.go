package misting

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
)

// drawSeries draws two days of an enclosure and a set of parameters within three standard deviations of the prior.
func drawSeries(t *rapid.T) (*series, theta) {
	r := &Recording{From: 0, To: instant.Instant(48 * time.Hour)}
	celsius, swing := rapid.Float64Range(14, 30).Draw(t, "°C"), rapid.Float64Range(0, 5).Draw(t, "swing")
	room := rapid.Float64Range(5, 95).Draw(t, "room")
	for at := r.From; at < r.To; at = at.Add(9*time.Minute + 59*time.Second) {
		hour := at.Sub(r.From).Hours()
		air := celsius + swing*math.Sin(hour/24*2*math.Pi)
		r.Air = append(r.Air, Sample{at, air})
		r.Humidity = append(r.Humidity, Sample{at, 80})
		r.RoomAir = append(r.RoomAir, Sample{at, celsius - 1})
		r.RoomHumidity = append(r.RoomHumidity, Sample{at, room})
	}
	r.Day = func(at instant.Instant) bool { return at.Time().Hour() >= 8 && at.Time().Hour() < 20 }
	var p theta
	for k := range p {
		p[k] = prior[k].mean + prior[k].sd*rapid.Float64Range(-3, 3).Draw(t, "θ")
	}
	return newSeries(r), p
}

func drawDoses(t *rapid.T, n int) []float64 {
	d := make([]float64, n)
	for range rapid.IntRange(0, 8).Draw(t, "mistings") {
		d[rapid.IntRange(0, n-1).Draw(t, "at")] += rapid.Float64Range(0.1, 3).Draw(t, "dose")
	}
	return d
}

// Whatever the parameters: air is never drier than nothing and never wetter than saturated, and the film never owes water.
func TestModelStaysWithinPhysics(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, p := drawSeries(t)
		shown, also := make([]float64, s.len()), newLife(s.len())
		s.live(&p, drawDoses(t, s.len()), shown, nil, also)
		for i, h := range shown {
			if math.IsNaN(s.sat[i]) {
				continue // after the last reading
			}
			require.True(t, h >= 0 && h <= 100, "minute %d: %v %%RH", i, h)
			require.True(t, also.vapour[i] > 0 && also.vapour[i] <= s.sat[i]+1e-9)
			require.GreaterOrEqual(t, also.film[i], 0.0)
		}
	})
}

// One more misting never makes any minute drier.
func TestMoreWaterIsNeverDrier(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, p := drawSeries(t)
		less := drawDoses(t, s.len())
		more := append([]float64(nil), less...)
		more[rapid.IntRange(0, s.len()-1).Draw(t, "extra")] += rapid.Float64Range(0.1, 2).Draw(t, "dose")
		a, b := make([]float64, s.len()), make([]float64, s.len())
		s.run(&p, less, a)
		s.run(&p, more, b)
		for i := range a {
			if math.IsNaN(s.sat[i]) {
				continue
			}
			require.GreaterOrEqual(t, b[i], a[i]-0.02, "minute %d", i)
		}
	})
}

// Between mistings the model does what the closed form says.
func TestModelAgainstTheClosedForm(t *testing.T) {
	r := &Recording{From: 0, To: instant.Instant(6 * time.Hour)}
	for at := r.From; at <= r.To; at = at.Add(time.Minute) {
		r.Air, r.RoomAir = append(r.Air, Sample{at, 24}), append(r.RoomAir, Sample{at, 24})
		r.Humidity, r.RoomHumidity = append(r.Humidity, Sample{at, 95}), append(r.RoomHumidity, Sample{at, 40})
	}
	s := newSeries(r)
	p := startTheta()
	p[lnExchange], p[lnKappa], p[byLight], p[kappaByLight], p[lnStore], p[lnLag] = 0, math.Log(0.9), 0, 0, -20, -6
	shown := make([]float64, s.len())
	s.run(&p, make([]float64, s.len()), shown)
	floor := (40 + 0.9*100) / 1.9
	for i, h := range shown {
		want := floor + (95-floor)*math.Exp(-float64(i+1)/60*1.9)
		require.InDelta(t, want, h, 0.01, "minute %d", i)
	}
}

func TestExponentialWithinOnePercent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tau, floor, span := rapid.Float64Range(6, 120).Draw(t, "τ"), rapid.Float64Range(8, 15).Draw(t, "floor"), rapid.Float64Range(3, 9).Draw(t, "span")
		var xs, ys []float64
		for x := 0.0; x < 3*tau; x++ {
			xs, ys = append(xs, x), append(ys, floor+span*math.Exp(-x/tau))
		}
		f, ok := fitExponential(xs, ys, 0.1)
		require.True(t, ok)
		require.InEpsilon(t, tau, f.tau, 0.01)
		require.InEpsilon(t, floor, f.floor, 0.01)
	})
	flat := make([]float64, 100)
	_, ok := fitExponential(flat, flat, 0.1)
	assert.False(t, ok, "nothing falls")
	_, ok = fitExponential([]float64{0, 1}, []float64{2, 1}, 0.1)
	assert.False(t, ok, "too short")
}

func TestInvertAndDirections(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var root, a [parameters][parameters]float64
		for i := range parameters {
			for j := range i {
				root[i][j] = rapid.Float64Range(-1, 1).Draw(t, "l")
			}
			root[i][i] = rapid.Float64Range(0.5, 2).Draw(t, "d")
		}
		for i := range parameters {
			for j := range parameters {
				for k := range parameters {
					a[i][j] += root[i][k] * root[j][k]
				}
			}
		}
		inverse, ok := invert(a)
		require.True(t, ok)
		one := product(a, inverse)
		columns := directions(&a)
		for i := range parameters {
			for j := range parameters {
				want := 0.0
				if i == j {
					want = 1
				}
				require.InDelta(t, want, one[i][j], 1e-4)
				sum := 0.0
				for _, c := range columns {
					sum += c[i] * c[j]
				}
				require.InDelta(t, a[i][j], sum, 1e-9)
			}
		}
	})
	_, ok := invert([parameters][parameters]float64{})
	assert.False(t, ok)
}

func TestPerMinute(t *testing.T) {
	at := func(seconds int) instant.Instant { return instant.Instant(time.Duration(seconds) * time.Second) }
	got := perMinute([]Sample{{at(-5), 99}, {at(0), 10}, {at(30), 20}, {at(180), 30}, {at(600), 40}, {at(700), math.NaN()}, {at(7000), 1}}, 0, 12, 5*time.Minute)
	assert.Equal(t, []float64{15, 20, 25, 30}, got[:4], "means of minutes, and a line over a short silence")
	assert.True(t, math.IsNaN(got[5]), "a long one stays unknown")
	assert.Equal(t, 40.0, got[10])
}
