package quality

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/instant"
	"dewline/internal/core/quantity"
)

// feed gives a judge one value every step and returns the flags as published and as they stand in the end.
func feed(j *Judge, step time.Duration, values ...float64) (published, final []quantity.Flag, why []Test) {
	index := map[instant.Instant]int{}
	for i, v := range values {
		at := instant.Instant(i) * instant.Instant(step)
		index[at] = i
		verdict := j.Judge(Observation{At: at, Value: v, Measured: v, Raw: math.Float64bits(v)})
		published = append(published, verdict.Flag)
		final = append(final, verdict.Flag)
		why = append(why, verdict.Why)
		if verdict.Amended {
			final[index[verdict.Amendment.At]] = verdict.Amendment.Flag
			why[index[verdict.Amendment.At]] = verdict.Amendment.Why
		}
	}
	return published, final, why
}

func water() Tests { return Defaults(quantity.WaterTemperature, Range{-55, 125}, 0.0625) }

func humidity() Tests { return Defaults(quantity.RelativeHumidity, Range{-6, 119}, 0.01) }

func TestAReadingIsJudgedWhenItsSuccessorIsIn(t *testing.T) {
	published, final, why := feed(NewJudge(water()), 10*time.Second, 22, 22.0625, 22, 25, 22, 22.0625)
	assert.Equal(t, flags(2, 2, 2, 3, 2, 2), published, "an alarm need not wait: all of these are usable")
	assert.Equal(t, flags(2, 1, 1, 4, 1, 2), final)
	assert.Equal(t, []Test{AwaitingNext, NoTest, NoTest, SpikeTest, NoTest, AwaitingNext}, why)
}

func TestASmallSpikeIsSuspect(t *testing.T) {
	_, final, why := feed(NewJudge(water()), 10*time.Second, 22, 22, 23, 22.0625, 22)
	assert.Equal(t, flags(2, 1, 3, 3, 2), final)
	assert.Equal(t, RateTest, why[2], "the first test that said so")
	assert.Equal(t, RateTest, why[3], "its way back is a fast change, and only a failed value is forgotten")

	tests := water()
	tests.Rate = nil
	published, final, why := feed(NewJudge(tests), 10*time.Second, 22, 22, 23, 22.0625, 22)
	assert.Equal(t, flags(2, 2, 2, 2, 2), published)
	assert.Equal(t, flags(2, 1, 3, 1, 2), final)
	assert.Equal(t, SpikeTest, why[2])
}

// A real change, however fast, must stay usable: it is the one that must reach the keeper.
func TestNoFastButRealChangeFails(t *testing.T) {
	step := make([]float64, 30) // the heater sticks, warm water is poured in
	for i := range step {
		step[i] = 22
		if i >= 10 {
			step[i] = 30 + 0.0625*float64(i%2)
		}
	}
	_, final, _ := feed(NewJudge(water()), 10*time.Second, step...)
	assert.NotContains(t, final, quantity.Fail)
	assert.Equal(t, quantity.Suspect, final[10])

	rapid.Check(t, func(t *rapid.T) {
		// Any series in which no value is a lone extreme: each is held for two readings at least. With more than three jumps it is
		// erratic: see TestAnErraticChannel.
		var values []float64
		for range rapid.IntRange(1, 4).Draw(t, "levels") {
			level := rapid.Float64Range(-50, 120).Draw(t, "level")
			for range rapid.IntRange(2, 5).Draw(t, "held") {
				values = append(values, level)
			}
		}
		_, final, why := feed(NewJudge(water()), 10*time.Second, values...)
		for i, f := range final {
			if f == quantity.Fail {
				t.Fatalf("%v: value %d fails: %s", values, i, why[i])
			}
		}
	})
}

func TestALoneValueFailsOnlyBetweenNearNeighbours(t *testing.T) {
	tests := water()
	tests.Gap = 15 * time.Minute
	_, final, _ := feed(NewJudge(tests), 5*time.Minute, 22, 22, 30, 22, 22)
	assert.Equal(t, quantity.Suspect, final[2], "within ten minutes the water may have been there and back")
}

func TestNothingIsComparedAcrossAGap(t *testing.T) {
	published, final, _ := feed(NewJudge(water()), 2*time.Minute, 22, 30, 22, 30)
	assert.Equal(t, flags(2, 2, 2, 2), published)
	assert.Equal(t, published, final)
}

func TestImpossibleValuesFailAtOnceAndAreForgotten(t *testing.T) {
	tests := water()
	tests.Stuck = nil
	published, final, why := feed(NewJudge(tests), 10*time.Second, 22, 22, 200, 22, none, 22, 22)
	assert.Equal(t, flags(2, 2, 4, 2, 9, 2, 2), published)
	assert.Equal(t, flags(2, 1, 4, 1, 9, 1, 2), final)
	assert.Equal(t, []Test{GrossLimits, NoValue}, []Test{why[2], why[4]})

	verdict := NewJudge(tests).Judge(Observation{Value: 85, Measured: 85, Wrong: true})
	assert.Equal(t, Verdict{Flag: quantity.Fail, Why: KnownWrong}, verdict)

	_, final, why = feed(NewJudge(tests), 10*time.Second, 50, 50.1, 50)
	assert.Equal(t, flags(3, 3, 3), final)
	assert.Equal(t, Expectation, why[1])
}

func TestTheRangeOfThePartIsThatBeforeCalibration(t *testing.T) {
	verdict := NewJudge(water()).Judge(Observation{Value: 126, Measured: 124})
	assert.Equal(t, Expectation, verdict.Why)
	verdict = NewJudge(water()).Judge(Observation{Value: 124, Measured: 126})
	assert.Equal(t, GrossLimits, verdict.Why)
}

func TestTheFirstValueIsNotEvaluated(t *testing.T) {
	j := NewJudge(water())
	verdict := j.Judge(Observation{At: 0, Value: 25, Measured: 25, First: true})
	assert.Equal(t, Verdict{Flag: quantity.NotEvaluated, Why: FirstValue}, verdict)
	verdict = j.Judge(Observation{At: 10e9, Value: 21, Measured: 21})
	assert.Equal(t, Verdict{Flag: quantity.NotEvaluated, Why: AwaitingNext}, verdict, "no fast change from a clone's default")
}

func TestAHeaterPulseIsSuspectForFiveMinutes(t *testing.T) {
	j := NewJudge(humidity())
	var got []quantity.Flag
	for i := range 8 {
		got = append(got, j.Judge(Observation{
			At: instant.Instant(i) * 60e9, Value: 80 - 10*float64(i%2), Measured: 80, Heated: i == 1,
		}).Flag)
	}
	assert.Equal(t, flags(2, 3, 3, 3, 3, 3, 2, 2), got)
}

func TestSaturation(t *testing.T) {
	tests := humidity()
	tests.Stuck, tests.Calm, tests.Spike = nil, nil, nil
	j := NewJudge(tests)
	at := instant.Instant(0)
	judge := func(v float64) Verdict {
		at = at.Add(time.Minute)
		return j.Judge(Observation{At: at, Value: v, Measured: v})
	}
	assert.Equal(t, quantity.Pass, judge(99.4).Flag)
	assert.Equal(t, Saturated, judge(99.5).Why, "there may be water on it")
	assert.Equal(t, quantity.Pass, judge(99.4).Flag)
	assert.Equal(t, quantity.Suspect, judge(106).Flag)
	assert.Equal(t, Saturated, judge(106).Why)
}

func TestStuckHumidityIsSuspectThenFails(t *testing.T) {
	tests := humidity()
	tests.Calm = nil
	j := NewJudge(tests)
	stuck := func(minutes int, raw uint64, value float64) Verdict {
		return j.Judge(Observation{At: instant.Instant(minutes) * 60e9, Value: value, Measured: value, Raw: raw})
	}
	for minute := range 30 {
		require.NotEqual(t, StuckTest, stuck(minute, 7, 70).Why)
	}
	assert.Equal(t, StuckTest, stuck(30, 7, 70).Why)
	assert.Equal(t, quantity.Suspect, stuck(31, 7, 70).Flag)
	for minute := 32; minute < 120; minute++ {
		require.Equal(t, quantity.Suspect, stuck(minute, 7, 70).Flag)
	}
	assert.Equal(t, quantity.Fail, stuck(120, 7, 70).Flag)
	assert.Equal(t, quantity.NotEvaluated, stuck(121, 8, 70.1).Flag, "it lives")

	for minute := 122; minute < 400; minute++ {
		require.NotEqual(t, quantity.Fail, stuck(minute, 9, 100).Flag, "the end of the scale is no fault")
	}
}

// The chip that repeats its humidity repeats its temperature as well, and there only a fine step shows it.
func TestAStuckTemperatureOfAFinePart(t *testing.T) {
	flags := func(resolution float64) (flags [3]quantity.Flag) {
		tests := Defaults(quantity.AirTemperature, Range{-40, 125}, resolution)
		tests.Gap = 3 * time.Minute
		j := NewJudge(tests)
		for minute := range 181 {
			flag := j.Judge(Observation{At: instant.Instant(minute) * 60e9, Value: 22, Measured: 22, Raw: 352}).Flag
			for i, at := range [...]int{59, 179, 180} {
				if minute == at {
					flags[i] = flag
				}
			}
		}
		return flags
	}
	assert.Equal(t, [3]quantity.Flag{quantity.NotEvaluated, quantity.Suspect, quantity.Fail}, flags(0.01))
	assert.Equal(t, [3]quantity.Flag{quantity.NotEvaluated, quantity.NotEvaluated, quantity.NotEvaluated}, flags(0.0625))
}

func TestABigTubIsNotStuck(t *testing.T) {
	for name, tests := range map[string]Tests{
		"1/16 K in water": water(),
		// A wireless sensor that reports whole percents repeats itself for hours.
		"whole percents": Defaults(quantity.RelativeHumidity, Range{0, 100}, 1),
		"unknown steps":  Defaults(quantity.RelativeHumidity, Range{}, 0),
	} {
		j := NewJudge(tests)
		for minute := range 24 * 60 {
			verdict := j.Judge(Observation{At: instant.Instant(minute) * 60e9, Value: 22, Measured: 22, Raw: 352})
			require.NotEqual(t, StuckTest, verdict.Why, "%s, minute %d", name, minute)
		}
		for minute := 24 * 60; minute < 72*60; minute++ {
			verdict := j.Judge(Observation{At: instant.Instant(minute) * 60e9, Value: 22, Measured: 22, Raw: 352})
			require.Equal(t, quantity.Suspect, verdict.Flag, "%s never fails for this alone", name)
		}
	}
}

func TestAnAttenuatedHumidityIsSuspect(t *testing.T) {
	j := NewJudge(humidity())
	for i := range 6 * 60 {
		v := 70 + 0.05*float64(i%2)
		require.NotEqual(t, Lifeless, j.Judge(Observation{At: instant.Instant(i) * 60e9, Value: v, Measured: v, Raw: uint64(i)}).Why)
	}
	verdict := j.Judge(Observation{At: 6 * 3600e9, Value: 70, Measured: 70, Raw: 360})
	assert.Equal(t, Verdict{Flag: quantity.Suspect, Why: Lifeless, Amended: verdict.Amended, Amendment: verdict.Amendment}, verdict)
	verdict = j.Judge(Observation{At: 6*3600e9 + 60e9, Value: 71, Measured: 71, Raw: 361})
	assert.NotEqual(t, Lifeless, verdict.Why)
}

// A step of the clock is no gap, no fast change and no hour of saturation.
func TestAClockStepIsInvisibleToAllTests(t *testing.T) {
	for _, by := range []time.Duration{-8000 * time.Hour, -time.Second, time.Hour, 8000 * time.Hour} {
		still, stepped := NewJudge(humidity()), NewJudge(humidity())
		for i := range 800 {
			at := instant.Instant(i) * 30e9
			o := Observation{At: at, Value: 90 + 10*math.Sin(float64(i*i)), Measured: 95 + float64(i%97)/16, Raw: uint64(i / 200), Heated: i == 300}
			want := still.Judge(o)
			if i == 400 || i == 305 {
				stepped.Shift(by)
			}
			offset := time.Duration(0)
			if i >= 305 {
				offset += by
			}
			if i >= 400 {
				offset += by
			}
			o.At = at.Add(offset)
			got := stepped.Judge(o)
			if got.Amended {
				got.Amendment.At = got.Amendment.At.Add(-offset)
			}
			require.Equal(t, want, got, "step %s, reading %d", by, i)
		}
	}
}

func TestBackwardStepWithoutShiftStartsAgain(t *testing.T) {
	j := NewJudge(humidity())
	for _, at := range []instant.Instant{1000e9, 1010e9, 5e9, 15e9, 25e9} {
		verdict := j.Judge(Observation{At: at, Value: 70, Measured: 70, Raw: uint64(at)})
		assert.Equal(t, quantity.NotEvaluated, verdict.Flag)
		assert.Equal(t, at == 25e9, verdict.Amended)
	}
}

// Whatever comes, a verdict is a valid flag with a reason, an amendment speaks of an earlier reading and changes it, and a
// usable flag never goes with a missing value.
func TestJudgeLaws(t *testing.T) {
	quantities := quantity.All()
	rapid.Check(t, func(t *rapid.T) {
		tests := Defaults(rapid.SampledFrom(quantities).Draw(t, "quantity"), Range{-40, 120}, 0.01)
		j := NewJudge(tests)
		published := map[instant.Instant]quantity.Flag{}
		at := instant.Instant(0)
		for range rapid.IntRange(1, 40).Draw(t, "readings") {
			at = at.Add(time.Duration(rapid.Int64Range(1, 90e9).Draw(t, "step")))
			value := rapid.OneOf(rapid.Float64Range(60, 62), rapid.Float64Range(-60, 140), rapid.Just(none),
				rapid.Just(math.Inf(-1))).Draw(t, "value")
			o := Observation{
				At: at, Value: value, Measured: value, Raw: rapid.Uint64Range(0, 2).Draw(t, "raw"),
				Wrong:  rapid.IntRange(0, 9).Draw(t, "wrong") == 0,
				First:  rapid.IntRange(0, 9).Draw(t, "first") == 0,
				Heated: rapid.IntRange(0, 30).Draw(t, "heated") == 0,
			}
			v := j.Judge(o)
			switch {
			case !v.Flag.Valid():
				t.Fatalf("flag %d", v.Flag)
			case v.Flag == quantity.Pass != (v.Why == NoTest):
				t.Fatalf("flag %s because of %q", v.Flag, v.Why)
			case absent(value) != (v.Flag == quantity.Missing):
				t.Fatalf("value %v is %s", value, v.Flag)
			}
			if v.Amended {
				before, found := published[v.Amendment.At]
				if !found || v.Amendment.At >= at || before == v.Amendment.Flag || before == quantity.Fail || before == quantity.Missing {
					t.Fatalf("amendment %+v of a reading that was %d", v.Amendment, before)
				}
			}
			published[at] = v.Flag
		}
	})
}

func ExampleJudge() {
	j := NewJudge(Defaults(quantity.WaterTemperature, Range{-55, 125}, 0.0625))
	start := instant.Of(time.Date(2026, 7, 1, 13, 30, 0, 0, time.UTC))
	for i, celsius := range []float64{22, 22, 27.5, 22} {
		v := j.Judge(Observation{At: start.Add(time.Duration(i) * 10 * time.Second), Value: celsius, Measured: celsius})
		fmt.Printf("%g: %s", celsius, v.Flag)
		if v.Amended {
			fmt.Printf("; the one before: %s", v.Amendment.Flag)
		}
		fmt.Println()
	}
	// Output:
	// 22: not evaluated
	// 22: not evaluated
	// 27.5: suspect; the one before: pass
	// 22: not evaluated; the one before: fail
}

func BenchmarkJudge(b *testing.B) {
	j := NewJudge(humidity())
	b.ReportAllocs()
	at := instant.Instant(0)
	for b.Loop() {
		at = at.Add(10 * time.Second)
		v := 80 + 5*math.Sin(float64(at)/1e12)
		j.Judge(Observation{At: at, Value: v, Measured: v, Raw: math.Float64bits(v)})
	}
}
