package mqttfed

import (
	"bytes"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A faulty board that sends twenty thousand swings in a second is read at the rate of a working sensor, is logged once, does not
// count as silent, and delays no other sensor.
func TestSwingingSenderIsThrottled(t *testing.T) {
	var log bytes.Buffer
	probe, other := plainProbe, board
	probe.Every = 10 * time.Second
	f, err := New([]Source{probe, other}, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
	require.NoError(t, err)
	f.Silent(noon)
	taken := 0
	for i := range 25 * 20_000 {
		taken += len(f.Take(message(probe.Topic, []string{"20", "30"}[i%2], noon.Add(time.Duration(i)*time.Second/20_000))))
	}
	assert.InDelta(t, minBurst+25, taken, 1)
	assert.Equal(t, 1, strings.Count(log.String(), "faster than its readings are taken"), log.String())
	assert.Len(t, f.Take(message(other.Topic, `{"bme":{"t":70,"rh":50,"p":1000}}`, after(25))), 1)
	for _, s := range f.Silent(after(26)) {
		assert.NotEqual(t, probe.ID, s.Sensor)
	}
	assert.Len(t, f.Take(message(probe.Topic, "20", after(30))), 1, "it goes on")
	// A clock that is set back blocks no source.
	assert.Len(t, f.Take(message(probe.Topic, "20", after(-86_400))), 1)
}

// However messages come, no more are taken than the burst and one for each interval; and at the sensor's own rate none is left
// out.
func TestThrottleIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		source := plainProbe
		source.Every = time.Duration(rapid.Int64Range(1, 600_000).Draw(t, "every ms")) * time.Millisecond
		f, err := New([]Source{source}, Options{})
		require.NoError(t, err)
		s := f.sources[0]
		at, taken := noon, 0
		own := rapid.Bool().Draw(t, "at its own rate")
		n := rapid.IntRange(1, 400).Draw(t, "messages")
		for i := range n {
			if own {
				at = noon.Add(time.Duration(i) * source.Every)
			} else {
				at = at.Add(time.Duration(rapid.Int64Range(0, int64(2*time.Second)).Draw(t, fmt.Sprint(i))))
			}
			taken += len(f.Take(message(source.Topic, "20", at)))
		}
		if own {
			require.Equal(t, n, taken)
		}
		require.LessOrEqual(t, taken, int((s.burst()+at.Sub(noon))/s.every())+1)
	})
}
