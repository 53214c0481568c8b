package psychro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWhereThereIsNoAnswer(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, got := range map[string]float64{
		"saturation over water below range": SaturationPressureWater(-100.01),
		"saturation over water above range": SaturationPressureWater(100.01),
		"saturation over water of NaN":      SaturationPressureWater(nan),
		"dew point of dry air":              dewPointOf(20, 0),
		"dew point below range":             dewPointOf(-90, 1),
		"dew point of negative humidity":    dewPointOf(20, -0.1),
		"dew point of NaN humidity":         dewPointOf(20, nan),
		"dew point of NaN temperature":      dewPointOf(nan, 50),
		"dew point of infinite heat":        dewPointOf(inf, 50),
		"deficit of negative humidity":      VapourPressureDeficit(20, -1),
		"absolute humidity":                 AbsoluteHumidity(-200, 50),
		"relative humidity":                 RelativeHumidity(20, -1),
		"vapour pressure of density":        VapourPressureOfDensity(20, -1),
		"oxygen of ice":                     OxygenSaturation(-0.1, 101_325),
		"oxygen of hot water":               OxygenSaturation(40.1, 101_325),
		"oxygen in hectopascal by mistake":  OxygenSaturation(20, 1013.25),
		"salt too cold":                     SodiumChloride.RelativeHumidity(-0.1),
		"salt too hot":                      PotassiumSulphate.RelativeHumidity(50.1),
		"no salt":                           Salt(0).RelativeHumidity(20),
		"unknown salt":                      Salt(200).RelativeHumidity(20),
		"rate at absolute zero":             KineticRate(-273.15),
		"rate of NaN":                       KineticRate(nan),
		"mean over no time":                 MeanKineticTemperature(0, 0),
		"mean of NaN":                       MeanKineticTemperature(nan, 60),

		"u of dew point of dry air":         DewPointUncertainty(20, 0, 0.4, 3),
		"u of dew point, negative humidity": DewPointUncertainty(20, -1, 0.4, 3),
		"u of deficit":                      VapourPressureDeficitUncertainty(20, -1, 0.4, 3),
		"u of absolute humidity":            AbsoluteHumidityUncertainty(nan, 50, 0.4, 3),
		"u of oxygen of ice":                OxygenSaturationUncertainty(-0.1, 101_325, 0.4, 100),
		"u of salt too cold":                SodiumChloride.RelativeHumidityUncertainty(-0.1, 0.4),
		"u of an unknown input":             DewPointUncertainty(20, 80, nan, 3),
	} {
		assert.True(t, math.IsNaN(got), "%s: %v", name, got)
	}
	dewPointOf, deficit, absolute := Derive(20, -1)
	assert.True(t, math.IsNaN(dewPointOf) && math.IsNaN(deficit) && math.IsNaN(absolute))
}

func TestDryAirHasADeficit(t *testing.T) {
	dewPoint, deficit, absolute := Derive(20, 0)
	assert.True(t, math.IsNaN(dewPoint))
	assert.Equal(t, SaturationPressureWater(20), deficit)
	assert.Zero(t, absolute)
	saturation := SaturationPressureWater(20)
	want := math.Hypot(0.03*saturation, 0.4*saturation*water.slope(293.15))
	assert.InEpsilon(t, want, VapourPressureDeficitUncertainty(20, 0, 0.4, 3), 1e-12)
}

// Source: the worked example of the reference data (JCGM 100:2008): 24.0 ± 0.4 °C and 80.0 ± 3.0 %, k = 2.
func TestWorkedUncertaintyExample(t *testing.T) {
	assert.InDelta(t, 20.337, dewPointOf(24, 80), 0.0015)
	assert.InDelta(t, 0.721, DewPointUncertainty(24, 80, 0.4, 3), 0.001)
	assert.InDelta(t, 0.9723, DewPointUncertainty(24, 80, 1, 0), 0.002*0.9723)
	assert.InDelta(t, 0.2023, DewPointUncertainty(24, 80, 0, 1), 0.002*0.2023)
}

// The dew points that the husbandry facts give beside the drying.
func TestDewPointsOfTheFacts(t *testing.T) {
	for humidity, want := range map[float64]float64{80: 20.33, 90: 22.26, 95: 23.15} {
		assert.InDelta(t, want, dewPointOf(24, humidity), 0.02)
	}
}

func TestParseSalt(t *testing.T) {
	for _, s := range Salts() {
		parsed, err := ParseSalt(s.Formula())
		require.NoError(t, err)
		assert.Equal(t, s, parsed)
	}
	parsed, err := ParseSalt("nacl")
	require.NoError(t, err)
	assert.Equal(t, SodiumChloride, parsed)
	_, err = ParseSalt("CuSO4")
	require.EqualError(t, err, `unknown salt "CuSO4": use one of LiCl, MgCl2, NaCl, KCl, K2SO4`)
	assert.Empty(t, Salt(0).String())
	assert.Empty(t, Salt(200).Formula())
}

// Every reading passes here: nothing may be left for the garbage collector.
func TestHotPathDoesNotAllocate(t *testing.T) {
	var sum float64
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		dewPoint, deficit, absolute := Derive(24.1, 79.3)
		sum += dewPoint + deficit + absolute + DewPointUncertainty(24.1, 79.3, 0.4, 3)
		sum += VapourPressureDeficitUncertainty(24.1, 79.3, 0.4, 3) + AbsoluteHumidityUncertainty(24.1, 79.3, 0.4, 3)
		sum += OxygenSaturation(24, 101_325) + KineticIntegral(24, 24.2, 10)
	}))
	assert.False(t, math.IsNaN(sum))
}

func BenchmarkDerive(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		dewPoint, deficit, absolute := Derive(24.1, 79.3)
		sum += dewPoint + deficit + absolute
	}
	_ = sum
}

func BenchmarkDewPointUncertainty(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		sum += DewPointUncertainty(24.1, 79.3, 0.4, 3)
	}
	_ = sum
}

func BenchmarkOxygenSaturation(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		sum += OxygenSaturation(21.3, 99_800)
	}
	_ = sum
}

func BenchmarkKineticIntegral(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		sum += KineticIntegral(24.1, 24.2, 10)
	}
	_ = sum
}
