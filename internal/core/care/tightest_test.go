package care_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/care"
	"dewline/internal/core/quantity"
)

// A critical-low humidity is an alarm after 20 minutes, after 10 where metamorphs or juveniles live, unless a delay is given.
func TestDryDelayOfTheStages(t *testing.T) {
	delay := func(s care.Stage, given time.Duration) time.Duration {
		b := care.NoBand()
		b.Limits[care.CriticalLow], b.CriticalOnDelay = 60, given
		b = b.Settled(quantity.RelativeHumidity, s)
		return b.RuleOf(care.CriticalLow, quantity.RelativeHumidity).OnDelay
	}
	for s, want := range map[care.Stage]time.Duration{
		care.NoStage: 20 * time.Minute, care.Larva: 20 * time.Minute, care.Adult: 20 * time.Minute,
		care.Metamorph: 10 * time.Minute, care.Juvenile: 10 * time.Minute,
	} {
		assert.Equal(t, want, delay(s, -1), s)
		assert.Equal(t, 7*time.Minute, delay(s, 7*time.Minute), s)
	}
}

// The tightest limit holds, limit by limit, and brings its own delay; the result is never wider than either band.
func TestTightestHoldsLimitByLimit(t *testing.T) {
	const q = quantity.WaterTemperature
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, delay time.Duration) care.Band {
			b := care.NoBand()
			value := 10.0
			for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
				value += rapid.Float64Range(0.5, 6).Draw(t, name)
				if rapid.Bool().Draw(t, name+" has it") {
					b.Limits[l] = value
				}
			}
			b.OnDelay, b.CriticalOnDelay = delay, delay
			return b.Settled(q, care.Larva)
		}
		a, b := draw("a", time.Minute), draw("b", 2*time.Minute)
		both, possible := care.Tightest(q, a, b)
		var before float64
		for l := care.CriticalLow; l <= care.CriticalHigh; l++ {
			if !both.Has(l) {
				assert.False(t, a.Has(l))
				continue
			}
			assert.GreaterOrEqual(t, both.Limits[l], before, "limits are in order")
			before = both.Limits[l]
			for _, one := range []care.Band{a, b} {
				if !one.Has(l) || !possible {
					continue
				}
				if l.Above() {
					assert.LessOrEqual(t, both.Limits[l], one.Limits[l])
				} else {
					assert.GreaterOrEqual(t, both.Limits[l], one.Limits[l])
				}
			}
			delay := both.RuleOf(l, q).OnDelay
			if possible && l.Critical() && a.Has(l) && both.Limits[l] == a.Limits[l] {
				assert.Equal(t, time.Minute, delay)
			} else if possible && l.Critical() {
				assert.Equal(t, 2*time.Minute, delay)
			}
		}
	})
}
