package psychro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Draws of what the functions accept.
var (
	anyCelsius   = rapid.Float64Range(-60, 100)
	roomCelsius  = rapid.Float64Range(-20, 60)
	anyPercent   = rapid.Float64Range(0.5, 100)
	beyond       = rapid.Float64Range(0.5, 140) // as sensors report it
	anyPascal    = rapid.Float64Range(60_000, 110_000)
	uncertainty  = rapid.Float64Range(0, 5)
	uncertainPas = rapid.Float64Range(0, 2000)
)

// The inversion is good to 1e-7 K, of which a property must allow for two.
const inversionError = 2e-7

func TestDewPointProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius, percent := anyCelsius.Draw(t, "celsius"), beyond.Draw(t, "percent")
		point := dewPointOf(celsius, percent)
		require.False(t, math.IsNaN(point))
		require.LessOrEqual(t, point, celsius)
		if percent >= 100 {
			require.Equal(t, celsius, point)
		}

		damper, warmer := rapid.Float64Range(percent, 140).Draw(t, "damper"), rapid.Float64Range(celsius, 100).Draw(t, "warmer")
		require.GreaterOrEqual(t, dewPointOf(celsius, damper), point-inversionError)
		require.GreaterOrEqual(t, dewPointOf(warmer, percent), point-inversionError)
		require.GreaterOrEqual(t, SaturationPressureWater(warmer), SaturationPressureWater(celsius))
	})
}

func TestInversesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius, percent := anyCelsius.Draw(t, "celsius"), anyPercent.Draw(t, "percent")
		vapour := vapourPressure(celsius, percent)
		require.InEpsilon(t, vapour, SaturationPressureWater(dewPointOf(celsius, percent)), 2e-8)
		require.InEpsilon(t, percent, RelativeHumidity(celsius, vapour), 1e-12)
		require.InEpsilon(t, vapour, VapourPressureOfDensity(celsius, AbsoluteHumidity(celsius, percent)), 1e-12)
		require.InEpsilon(t, SaturationPressureWater(celsius), vapour+VapourPressureDeficit(celsius, percent), 1e-12)
	})
}

// Every inversion over the whole range of the equation takes the one or two steps that it promises.
func TestInversionConvergesAtOnce(t *testing.T) {
	for kelvin := lowestKelvin; kelvin <= highestKelvin; kelvin += 0.01 {
		got, steps := water.temperature(water.lnPressure(kelvin))
		if !assert.InDelta(t, kelvin, got, 1e-7) || !assert.LessOrEqual(t, steps, 2, "at %g K", kelvin) {
			break
		}
		if celsius := kelvin - zeroCelsius; celsius > -50 && celsius < 65 {
			require.Equal(t, 1, steps, "at %g °C", celsius)
		}
	}
}

func TestDeriveAgreesWithTheSingleFunctions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius, percent := anyCelsius.Draw(t, "celsius"), beyond.Draw(t, "percent")
		_, deficit, absolute := Derive(celsius, percent)
		require.Equal(t, VapourPressureDeficit(celsius, percent), deficit)
		require.Equal(t, AbsoluteHumidity(celsius, percent), absolute)
		require.GreaterOrEqual(t, deficit, 0.0)
	})
}

func TestHumidityAboveSaturationIsClamped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius, percent := roomCelsius.Draw(t, "celsius"), rapid.Float64Range(100, 1000).Draw(t, "percent")
		clampedTo, clamped := ClampHumidity(percent)
		require.Equal(t, 100.0, clampedTo)
		require.Equal(t, percent > 100, clamped)
		require.Equal(t, celsius, dewPointOf(celsius, percent))
		require.Zero(t, VapourPressureDeficit(celsius, percent))
		require.Equal(t, AbsoluteHumidity(celsius, 100), AbsoluteHumidity(celsius, percent))
		require.Equal(t, DewPointUncertainty(celsius, 100, 0.4, 3), DewPointUncertainty(celsius, percent, 0.4, 3))
	})
	percent, clamped := ClampHumidity(99.9)
	assert.Equal(t, 99.9, percent)
	assert.False(t, clamped)
	percent, clamped = ClampHumidity(math.NaN())
	assert.True(t, math.IsNaN(percent))
	assert.False(t, clamped)
}

// numerically returns the expanded uncertainty that follows from central differences of f.
func numerically(f func(...float64) float64, inputs, expanded, steps []float64) float64 {
	var sum float64
	for i := range inputs {
		up, down := append([]float64(nil), inputs...), append([]float64(nil), inputs...)
		up[i] += steps[i]
		down[i] -= steps[i]
		slope := (f(up...) - f(down...)) / (2 * steps[i])
		sum += slope * expanded[i] * slope * expanded[i]
	}
	return math.Sqrt(sum)
}

// Source: JCGM 100:2008, 5.1.3 note 2: sensitivities may be found numerically.
func TestUncertaintyMatchesNumericalDifferentiation(t *testing.T) {
	const step, pascalStep = 1e-3, 10.0
	type quantity struct {
		value    func(in ...float64) float64 // celsius, percent, pascal
		expanded func(celsius, percent, pascal, uKelvin, uPercent, uPascal float64) float64
		scale    float64 // size of the value, for the tolerance
	}
	quantities := map[string]quantity{
		"dew point": {
			func(in ...float64) float64 { return dewPointOf(in[0], in[1]) },
			func(c, h, _, uc, uh, _ float64) float64 { return DewPointUncertainty(c, h, uc, uh) }, 1,
		},
		"deficit": {
			func(in ...float64) float64 { return VapourPressureDeficit(in[0], in[1]) },
			func(c, h, _, uc, uh, _ float64) float64 { return VapourPressureDeficitUncertainty(c, h, uc, uh) }, 1,
		},
		"absolute humidity": {
			func(in ...float64) float64 { return AbsoluteHumidity(in[0], in[1]) },
			func(c, h, _, uc, uh, _ float64) float64 { return AbsoluteHumidityUncertainty(c, h, uc, uh) }, 1e-3,
		},
	}
	for name, q := range quantities {
		t.Run(name, func(t *testing.T) {
			compared := 0
			rapid.Check(t, func(t *rapid.T) {
				celsius, percent, pascal := rapid.Float64Range(-15, 60).Draw(t, "celsius"), rapid.Float64Range(2, 99).Draw(t, "percent"), anyPascal.Draw(t, "pascal")
				uKelvin, uPercent, uPascal := uncertainty.Draw(t, "uKelvin"), uncertainty.Draw(t, "uPercent"), uncertainPas.Draw(t, "uPascal")
				got := q.expanded(celsius, percent, pascal, uKelvin, uPercent, uPascal)
				want := numerically(q.value, []float64{celsius, percent, pascal}, []float64{uKelvin, uPercent, uPascal},
					[]float64{step, step * percent / 10, pascalStep})
				if math.IsNaN(want) { // at the edge of the range, or beyond it
					return
				}
				compared++
				require.GreaterOrEqual(t, got, 0.0)
				require.InDelta(t, want, got, q.scale*2e-3+2e-3*want)
				require.Zero(t, q.expanded(celsius, percent, pascal, 0, 0, 0))
			})
			assert.Greater(t, compared, 3)
		})
	}
}

func TestWaterAndSaltUncertaintiesMatchNumericalDifferentiation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		uKelvin := uncertainty.Draw(t, "uKelvin")
		tank, pascal, uPascal := rapid.Float64Range(0.1, 39.9).Draw(t, "tank"), anyPascal.Draw(t, "pascal"), uncertainPas.Draw(t, "uPascal")
		want := numerically(func(in ...float64) float64 { return OxygenSaturation(in[0], in[1]) },
			[]float64{tank, pascal}, []float64{uKelvin, uPascal}, []float64{1e-3, 10})
		require.InDelta(t, want, OxygenSaturationUncertainty(tank, pascal, uKelvin, uPascal), 1e-9+1e-6*want)

		salt := rapid.SampledFrom(Salts()).Draw(t, "salt")
		own := salt.RelativeHumidityUncertainty(tank, 0)
		want = math.Hypot(own, numerically(func(in ...float64) float64 { return salt.RelativeHumidity(in[0]) },
			[]float64{tank}, []float64{uKelvin}, []float64{1e-3}))
		require.InDelta(t, want, salt.RelativeHumidityUncertainty(tank, uKelvin), 1e-9+1e-6*want)
	})
}

func TestWaterSideProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius, pascal := rapid.Float64Range(0, 39).Draw(t, "celsius"), anyPascal.Draw(t, "pascal")
		require.Greater(t, OxygenSaturation(celsius, pascal), OxygenSaturation(celsius+0.1, pascal), "warm water holds less")
		require.Greater(t, OxygenSaturation(celsius, pascal+100), OxygenSaturation(celsius, pascal))
	})
}

func TestKineticProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from, to := rapid.Float64Range(-20, 60).Draw(t, "from"), rapid.Float64Range(-20, 60).Draw(t, "to")
		seconds, part := rapid.Float64Range(1, 1e6).Draw(t, "seconds"), rapid.Float64Range(0, 1).Draw(t, "part")
		whole := KineticIntegral(from, to, seconds)

		between := from + part*(to-from)
		parts := KineticIntegral(from, between, part*seconds) + KineticIntegral(between, to, (1-part)*seconds)
		require.InEpsilon(t, whole, parts, 2e-6, "a line may be cut anywhere")
		require.InEpsilon(t, whole, KineticIntegral(to, from, seconds), 1e-9)

		const slices = 2000 // the midpoint rule, as a dumb second way
		var dumb float64
		for i := range slices {
			dumb += KineticRate(from+(float64(i)+0.5)/slices*(to-from)) * seconds / slices
		}
		require.InEpsilon(t, dumb, whole, 3e-6)

		mean := MeanKineticTemperature(whole, seconds)
		require.True(t, mean >= min(from, to)-1e-4 && mean <= max(from, to)+1e-4)
		require.GreaterOrEqual(t, mean, (from+to)/2-1e-4, "warm hours count for more")

		shifted := MeanKineticTemperature(KineticIntegral(from+0.1, to+0.1, seconds), seconds)
		require.InDelta(t, mean+0.1, shifted, 0.02, "a common error passes into it")
	})
}
