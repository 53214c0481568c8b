package psychro

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWhereThereIsNoAnswer(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	dewPoint := func(celsius, percent float64) float64 { dewPoint, _, _ := Derive(celsius, percent); return dewPoint }
	for name, got := range map[string]float64{
		"saturation over water below range":  SaturationPressureWater(-100.01),
		"saturation over water above range":  SaturationPressureWater(100.01),
		"saturation over water of NaN":       SaturationPressureWater(nan),
		"saturation over ice above freezing": SaturationPressureIce(0.02),
		"saturation over ice below range":    SaturationPressureIce(-100.01),
		"saturation over ice of NaN":         SaturationPressureIce(nan),
		"dew point of dry air":               dewPoint(20, 0),
		"dew point below range":              DewPoint(-90, 1),
		"dew point of negative humidity":     DewPoint(20, -0.1),
		"dew point of NaN humidity":          DewPoint(20, nan),
		"dew point of NaN temperature":       DewPoint(nan, 50),
		"dew point of infinite heat":         dewPoint(inf, 50),
		"dew point of vacuum":                DewPointOfVapourPressure(0),
		"dew point of negative pressure":     DewPointOfVapourPressure(-1),
		"dew point of steam":                 DewPointOfVapourPressure(110_000),
		"dew point of NaN pressure":          DewPointOfVapourPressure(nan),
		"frost point of warm wet air":        FrostPoint(20, 80),
		"frost point of dry air":             FrostPoint(20, 0),
		"frost point of negative humidity":   FrostPoint(20, -1),
		"vapour pressure":                    VapourPressure(20, -1),
		"deficit of negative humidity":       VapourPressureDeficit(20, -1),
		"absolute humidity":                  AbsoluteHumidity(-200, 50),
		"mixing ratio of boiling water":      MixingRatio(100, 100, 100_000),
		"mixing ratio of NaN humidity":       MixingRatio(20, nan, 100_000),
		"mixing ratio at infinite pressure":  MixingRatio(20, 50, inf),
		"margin of dry air":                  CondensationMargin(20, 20, 0),
		"margin of NaN surface":              CondensationMargin(nan, 20, 50),
		"relative humidity":                  RelativeHumidity(20, -1),
		"vapour pressure of density":         VapourPressureOfDensity(20, -1),
		"frozen wick":                        WetBulbPsychrometer(2, 10, 101_325),
		"wick of negative humidity":          WetBulbPsychrometer(20, -1, 101_325),
		"wick in kilopascal by mistake":      WetBulbPsychrometer(20, 50, 101.325),
		"wet bulb of cold air":               WetBulbThermodynamic(-1, 50, 101_325),
		"wet bulb in hectopascal by mistake": WetBulbThermodynamic(20, 50, 1013.25),
		"wet bulb of NaN":                    WetBulbThermodynamic(nan, 50, 101_325),
		"oxygen of ice":                      OxygenSaturation(-0.1, 101_325),
		"oxygen of hot water":                OxygenSaturation(40.1, 101_325),
		"oxygen in hectopascal by mistake":   OxygenSaturation(20, 1013.25),
		"ammonia of ice":                     UnionisedAmmonia(-1, 7),
		"ammonia of no pH":                   UnionisedAmmonia(20, nan),
		"salt too cold":                      SodiumChloride.RelativeHumidity(-0.1),
		"salt too hot":                       PotassiumSulphate.RelativeHumidity(50.1),
		"no salt":                            Salt(0).RelativeHumidity(20),
		"unknown salt":                       Salt(200).RelativeHumidity(20),
		"rate at absolute zero":              KineticRate(-273.15),
		"rate of NaN":                        KineticRate(nan),
		"mean over no time":                  MeanKineticTemperature(0, 0),
		"mean of NaN":                        MeanKineticTemperature(nan, 60),

		"u of dew point of dry air":          DewPointUncertainty(20, 0, 0.4, 3),
		"u of dew point, negative humidity":  DewPointUncertainty(20, -1, 0.4, 3),
		"u of frost point of warm wet air":   FrostPointUncertainty(20, 80, 0.4, 3),
		"u of frost point, NaN":              FrostPointUncertainty(nan, 80, 0.4, 3),
		"u of vapour pressure":               VapourPressureUncertainty(20, -1, 0.4, 3),
		"u of deficit":                       VapourPressureDeficitUncertainty(20, -1, 0.4, 3),
		"u of absolute humidity":             AbsoluteHumidityUncertainty(nan, 50, 0.4, 3),
		"u of mixing ratio of boiling water": MixingRatioUncertainty(100, 100, 100_000, 0.4, 3, 100),
		"u of mixing ratio, NaN":             MixingRatioUncertainty(20, nan, 100_000, 0.4, 3, 100),
		"u of margin of dry air":             CondensationMarginUncertainty(20, 0, 0.4, 0.4, 3),
		"u of frozen wick":                   WetBulbPsychrometerUncertainty(2, 10, 101_325, 0.4, 3, 100),
		"u of wick, wrong unit":              WetBulbPsychrometerUncertainty(20, 50, 101.325, 0.4, 3, 100),
		"u of wet bulb of cold air":          WetBulbThermodynamicUncertainty(-1, 50, 101_325, 0.4, 3, 100),
		"u of wet bulb, negative humidity":   WetBulbThermodynamicUncertainty(20, -1, 101_325, 0.4, 3, 100),
		"u of oxygen of ice":                 OxygenSaturationUncertainty(-0.1, 101_325, 0.4, 100),
		"u of ammonia of ice":                UnionisedAmmoniaUncertainty(-1, 7, 0.4, 0.1),
		"u of salt too cold":                 SodiumChloride.RelativeHumidityUncertainty(-0.1, 0.4),
		"u of an unknown input":              DewPointUncertainty(20, 80, nan, 3),
	} {
		assert.True(t, math.IsNaN(got), "%s: %v", name, got)
	}
	dewPointOf, deficit, absolute := Derive(20, -1)
	assert.True(t, math.IsNaN(dewPointOf) && math.IsNaN(deficit) && math.IsNaN(absolute))
	uDewPoint, uDeficit, uAbsolute := DeriveUncertainty(20, -1, 0.4, 3)
	assert.True(t, math.IsNaN(uDewPoint) && math.IsNaN(uDeficit) && math.IsNaN(uAbsolute))
}

func TestDryAirHasADeficit(t *testing.T) {
	dewPoint, deficit, absolute := Derive(20, 0)
	assert.True(t, math.IsNaN(dewPoint))
	assert.Equal(t, SaturationPressureWater(20), deficit)
	assert.Zero(t, absolute)
	saturation := SaturationPressureWater(20)
	want := math.Hypot(0.03*saturation, 0.4*saturation*water.slope(293.15))
	assert.InEpsilon(t, want, VapourPressureDeficitUncertainty(20, 0, 0.4, 3), 1e-12)
	assert.Less(t, WetBulbThermodynamic(20, 0, 101_325), 7.0)
}

// Where the air is hotter than water boils at its pressure, halving meets wet bulbs that cannot be.
func TestWetBulbOfHotThinAir(t *testing.T) {
	const celsius, percent, pascal = 95.0, 10.0, 50_000.0
	require.Greater(t, SaturationPressureWater(celsius), pascal)
	wet := WetBulbThermodynamic(celsius, percent, pascal)
	require.Greater(t, wet, DewPoint(celsius, percent))
	require.Less(t, SaturationPressureWater(wet), pascal)
}

// Source: the worked example of the reference data (JCGM 100:2008): 24.0 ± 0.4 °C and 80.0 ± 3.0 %, k = 2.
func TestWorkedUncertaintyExample(t *testing.T) {
	assert.InDelta(t, 20.337, DewPoint(24, 80), 0.0015)
	assert.InDelta(t, 0.721, DewPointUncertainty(24, 80, 0.4, 3), 0.001)
	assert.InDelta(t, 0.9723, DewPointUncertainty(24, 80, 1, 0), 0.002*0.9723)
	assert.InDelta(t, 0.2023, DewPointUncertainty(24, 80, 0, 1), 0.002*0.2023)
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
		uDewPoint, uDeficit, uAbsolute := DeriveUncertainty(24.1, 79.3, 0.4, 3)
		sum += dewPoint + deficit + absolute + uDewPoint + uDeficit + uAbsolute
		sum += CondensationMargin(18, 24.1, 79.3) + CondensationMarginUncertainty(24.1, 79.3, 0.5, 0.4, 3)
		sum += OxygenSaturation(24, 101_325) + KineticIntegral(24, 24.2, 10) + FrostPoint(5, 30)
		sum += WetBulbPsychrometer(24, 80, 101_325) + WetBulbThermodynamic(24, 80, 101_325)
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

func BenchmarkDeriveUncertainty(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		uDewPoint, uDeficit, uAbsolute := DeriveUncertainty(24.1, 79.3, 0.4, 3)
		sum += uDewPoint + uDeficit + uAbsolute
	}
	_ = sum
}

func BenchmarkFrostPoint(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		sum += FrostPoint(4, 40)
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

func BenchmarkWetBulbPsychrometer(b *testing.B) {
	b.ReportAllocs()
	var sum float64
	for b.Loop() {
		sum += WetBulbPsychrometer(24.1, 79.3, 99_800)
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
