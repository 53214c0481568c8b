package recorded

import (
	"context"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"dewline/internal/core/quantity"
	"dewline/sensors"
)

const night = `time,point,value,unit,flag
2026-07-01T22:00:00Z,loft/air-temperature,21,Cel,1
2026-07-01T22:00:00Z,loft/relative-humidity,80,%RH,1
2026-07-01T22:01:00Z,loft/air-temperature,22,Cel,1
2026-07-01T22:01:00Z,loft/relative-humidity,,%RH,9
2026-07-01T22:02:00Z,loft/air-temperature,85,Cel,4
2026-07-01T22:10:00Z,loft/air-temperature,23,Cel,1
`

func player(t *testing.T, options PlayerOptions) (*Player, error) {
	file, err := Read("night.csv", strings.NewReader(night))
	require.NoError(t, err)
	options.Name = "night.csv"
	return NewPlayer(file, options)
}

func loftAir(t *testing.T) map[sensors.Channel]quantity.Point {
	return map[sensors.Channel]quantity.Point{
		sensors.Temperature: point(t, "loft/air-temperature"),
		sensors.Humidity:    point(t, "loft/relative-humidity"),
	}
}

func TestPlayerPlaysAtItsSpeed(t *testing.T) {
	type step struct {
		after       time.Duration // of recorded time
		temperature float64       // NaN = not read
		humidity    float64
		failure     sensors.Kind
	}
	none := math.NaN()
	for _, speed := range []float64{1, 60} {
		synctest.Test(t, func(t *testing.T) {
			p, err := player(t, PlayerOptions{Channels: loftAir(t), Speed: speed, Hold: 90 * time.Second})
			require.NoError(t, err)
			began := time.Now()
			for _, s := range []step{
				{0, 21, 80, sensors.Unknown},
				{59 * time.Second, 21, 80, sensors.Unknown},
				{61 * time.Second, 22, none, sensors.Unknown},
				{121 * time.Second, none, none, sensors.Implausible},
				{5 * time.Minute, none, none, sensors.Absent},
				{11 * time.Minute, 23, none, sensors.Unknown},
				{12 * time.Minute, none, none, sensors.Absent},
			} {
				time.Sleep(time.Duration(float64(s.after)/speed) - time.Since(began))
				reading, err := p.Read(t.Context())
				for channel, want := range map[sensors.Channel]float64{sensors.Temperature: s.temperature, sensors.Humidity: s.humidity} {
					got, found := reading.Measured(channel)
					assert.Equal(t, !math.IsNaN(want), found, "%s after %s", channel, s.after)
					if found {
						assert.Equal(t, want, got.Value, "%s after %s", channel, s.after)
					}
				}
				if math.IsNaN(s.temperature) {
					assert.Equal(t, s.failure, sensors.KindOf(err), "after %s: %v", s.after, err)
				} else {
					assert.NoError(t, err)
				}
			}
		})
	}
}

func TestPlayerLoops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, err := player(t, PlayerOptions{Channels: loftAir(t), Loop: true})
		require.NoError(t, err)
		_, err = p.Read(t.Context())
		require.NoError(t, err)
		time.Sleep(11*time.Minute + 5*time.Second) // the recording lasts 10 min, its last row 1 min
		reading, err := p.Read(t.Context())
		require.NoError(t, err)
		assert.Equal(t, 21.0, reading.Values[1].Value)
	})
}

func TestNewPlayerRefuses(t *testing.T) {
	for want, options := range map[string]PlayerOptions{
		"no channel is given": {},
		"channel humidity cannot play loft/air-temperature, which is in °C": {
			Channels: map[sensors.Channel]quantity.Point{sensors.Humidity: point(t, "loft/air-temperature")}},
		"the recording has no point tub-1/water-temperature": {
			Channels: map[sensors.Channel]quantity.Point{sensors.Temperature: point(t, "tub-1/water-temperature")}},
		"a speed of -1 is not possible": {Speed: -1, Channels: loftAir(t)},
		"a speed of NaN is not":         {Speed: math.NaN(), Channels: loftAir(t)},
	} {
		_, err := player(t, options)
		assert.ErrorContains(t, err, want)
	}
}

func TestPlayerHonoursItsContext(t *testing.T) {
	p, err := player(t, PlayerOptions{Channels: loftAir(t)})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = p.Read(ctx)
	assert.ErrorIs(t, err, context.Canceled)
	assert.Equal(t, "recorded", p.Describe().Driver)
	assert.Len(t, p.Describe().Measures, 2)
	assert.NoError(t, p.Close())
}
