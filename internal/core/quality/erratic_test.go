package quality

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

func indoors() Tests { return Defaults(quantity.AirTemperature, Range{-40, 125}, 0.01) }

// judged returns the verdicts on values that come each minute, gap three minutes.
func judged(j *Judge, values ...float64) (verdicts []Verdict) {
	for i, v := range values {
		verdicts = append(verdicts, j.Judge(Observation{At: instant.Instant(i) * 60e9, Value: v, Measured: v, Raw: math.Float64bits(v)}))
	}
	return verdicts
}

func minutely() *Judge {
	tests := indoors()
	tests.Gap = 3 * time.Minute
	return NewJudge(tests)
}

func TestAnErraticChannel(t *testing.T) {
	values := []float64{23, 23.1, 80, 81, 23, 23.1, 90, 91, 23, 23.1, 23.2, 23.1}
	verdicts := judged(minutely(), values...)
	assert.False(t, verdicts[7].Erratic, "up, down, up: three jumps")
	assert.True(t, verdicts[8].Erratic, "the fourth jump within half an hour")
	for i, used := range []bool{false, false, true, true} {
		assert.Equal(t, used, verdicts[8+i].Flag.Usable(), "minute %d: only what agrees with two minutes before it is used", 8+i)
	}
	assert.Equal(t, Erratic, verdicts[8].Why)
	assert.True(t, verdicts[11].Erratic, "until an hour is clean")
}

func TestAnErraticChannelIsSoUntilAnHourIsClean(t *testing.T) {
	values := []float64{23, 80, 80, 23, 23, 80, 80, 23}
	for range 61 {
		values = append(values, 23)
	}
	verdicts := judged(minutely(), values...)
	last := 7 // the minute of the last jump
	assert.True(t, verdicts[last].Erratic)
	assert.True(t, verdicts[last+59].Erratic)
	assert.False(t, verdicts[last+60].Erratic)
}

// Steps in one direction, such as those of a water change or of a mister, are one jump, and so is a lone spike.
func TestStepsAndLoneSpikesAreNoErraticChannel(t *testing.T) {
	for name, values := range map[string][]float64{
		"a water change":   {24, 23, 22, 21, 20, 19, 18, 18, 18},
		"out and in again": {24, 24, 30, 30, 30, 24, 24, 24},
		"three spikes":     {24, 24, 60, 24, 24, 24, 60, 24, 24, 24, 60, 24, 24},
	} {
		for _, v := range judged(minutely(), values...) {
			assert.False(t, v.Erratic, name)
		}
	}
	four := judged(minutely(), 24, 60, 24, 24, 60, 24, 24, 60, 24, 24, 60, 24)
	assert.True(t, four[len(four)-1].Erratic, "four spikes in half an hour")
	two := judged(minutely(), 24, 60, 24, 60, 24, 60, 24, 60, 24)
	assert.True(t, two[len(two)-1].Erratic, "to and fro between two values")
}

// Values beyond the end of what a part can say are that end: a channel that raves may rest there for minutes.
func TestTheEndOfItsRangeIsNoSteadyReadingOfAnErraticChannel(t *testing.T) {
	verdicts := judged(minutely(), 23, 125, 23, 23, 125, 23, 23, 125, 23, 23, 125, 125, 125, 125, 23, 23, 23)
	for _, v := range verdicts[10:14] {
		assert.Equal(t, quantity.Fail, v.Flag)
		assert.Equal(t, Erratic, v.Why)
	}
	assert.True(t, verdicts[16].Flag.Usable())
}

// However a channel raves, what is used of it while it is erratic agrees with the readings of two minutes before it.
func TestWhatIsUsedOfAnErraticChannelIsSteady(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(22.9, 23.1), rapid.Float64Range(70, 390)), 5, 90).Draw(t, "values")
		for i, v := range judged(minutely(), values...) {
			if !v.Erratic || !v.Flag.Usable() {
				continue
			}
			if i < 2 || math.Abs(values[i]-values[i-1]) > 2 || math.Abs(values[i-1]-values[i-2]) > 2 {
				t.Fatalf("minute %d of %v is used", i, values)
			}
		}
	})
}

func TestDistrustOutlivesTheJudge(t *testing.T) {
	j := minutely()
	j.Distrust(0)
	verdicts := judged(j, 30, 30, 30)
	assert.Equal(t, quantity.Fail, verdicts[1].Flag)
	assert.True(t, verdicts[2].Flag.Usable(), "steady for two minutes")
}
