package quantity

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Symbols by the IANA SenML units registry (RFC 8428, RFC 8798); the last column is our choice of words.
func TestQuantities(t *testing.T) {
	wants := []struct {
		quantity    Quantity
		name        string
		symbol      string
		difference  Unit
		derived     bool
		temperature bool
	}{
		{AirTemperature, "air-temperature", "Cel", Kelvin, false, true},
		{WaterTemperature, "water-temperature", "Cel", Kelvin, false, true},
		{SurfaceTemperature, "surface-temperature", "Cel", Kelvin, false, true},
		{RelativeHumidity, "relative-humidity", "%RH", PercentRelativeHumidity, false, false},
		{Pressure, "pressure", "Pa", Pascal, false, false},
		{DewPoint, "dew-point", "Cel", Kelvin, true, true},
		{VapourPressureDeficit, "vapour-pressure-deficit", "Pa", Pascal, true, false},
		{AbsoluteHumidity, "absolute-humidity", "kg/m3", KilogramPerCubicMetre, true, false},
		{CondensationMargin, "condensation-margin", "K", Kelvin, true, false},
		{OxygenSaturation, "oxygen-saturation", "kg/m3", KilogramPerCubicMetre, true, false},
	}
	var all []Quantity
	for _, want := range wants {
		all = append(all, want.quantity)
		assert.Equal(t, want.name, want.quantity.String())
		assert.Equal(t, want.symbol, want.quantity.Unit().Symbol(), want.name)
		assert.Equal(t, want.difference, want.quantity.DifferenceUnit(), want.name)
		assert.Equal(t, want.derived, want.quantity.Derived(), want.name)
		assert.Equal(t, want.temperature, want.quantity.IsTemperature(), want.name)

		parsed, err := Parse(want.name)
		require.NoError(t, err)
		assert.Equal(t, want.quantity, parsed)
	}
	assert.Equal(t, All(), all, "every quantity is listed here")
}

// Common practice, no published source: in which unit and with how many decimals people read each quantity.
func TestKeepersUnits(t *testing.T) {
	for q, want := range map[Quantity]struct {
		celsius, fahrenheit Unit
		decimals            int
	}{
		AirTemperature:        {Celsius, Fahrenheit, 1},
		WaterTemperature:      {Celsius, Fahrenheit, 1},
		SurfaceTemperature:    {Celsius, Fahrenheit, 1},
		DewPoint:              {Celsius, Fahrenheit, 1},
		CondensationMargin:    {Kelvin, FahrenheitDegree, 1},
		RelativeHumidity:      {PercentRelativeHumidity, PercentRelativeHumidity, 1},
		Pressure:              {Hectopascal, Hectopascal, 1},
		VapourPressureDeficit: {Kilopascal, Kilopascal, 2},
		AbsoluteHumidity:      {GramPerCubicMetre, GramPerCubicMetre, 1},
		OxygenSaturation:      {MilligramPerLitre, MilligramPerLitre, 1},
		None:                  {NoUnit, NoUnit, 1},
	} {
		assert.Equal(t, want.celsius, q.Keeper(Celsius), q.String())
		assert.Equal(t, want.fahrenheit, q.Keeper(Fahrenheit), q.String())
		assert.Equal(t, want.celsius, q.Keeper(NoUnit), "%s: Celsius where nothing is asked for", q)
		assert.Equal(t, want.decimals, q.Decimals(), q.String())
	}
}

func TestNoQuantity(t *testing.T) {
	for _, q := range []Quantity{None, count, 200} {
		assert.Equal(t, "none", q.String())
		assert.Equal(t, NoUnit, q.Unit())
		assert.False(t, q.Derived())
		assert.False(t, q.IsTemperature())
	}
	for _, name := range []string{"", "none", "Air-Temperature", "air temperature", "humidity", " pressure"} {
		q, err := Parse(name)
		require.Error(t, err, name)
		assert.Equal(t, None, q)
	}
	_, err := Parse("humidity")
	require.EqualError(t, err, `unknown quantity "humidity"`)
}

func TestQuantityAndPointInJSON(t *testing.T) {
	type document struct {
		Quantity Quantity         `json:"quantity"`
		Point    Point            `json:"point"`
		By       map[Point]string `json:"by"`
	}
	vivarium := Point{Place: "vivarium-2", Quantity: DewPoint}
	original := document{Pressure, vivarium, map[Point]string{vivarium: "invented"}}
	encoded, err := json.Marshal(original)
	require.NoError(t, err)
	assert.JSONEq(t, `{"quantity":"pressure","point":"vivarium-2/dew-point","by":{"vivarium-2/dew-point":"invented"}}`, string(encoded))
	var decoded document
	require.NoError(t, json.Unmarshal(encoded, &decoded))
	assert.Equal(t, original, decoded)

	decoded = original
	require.Error(t, json.Unmarshal([]byte(`{"quantity":"warmth"}`), &decoded))
	require.Error(t, json.Unmarshal([]byte(`{"point":"tub-1"}`), &decoded))
	assert.Equal(t, original, decoded, "what cannot be read leaves the value as it was")
}

// Values by the IOOS QARTOD manual for temperature and salinity, v2.0, 2016.
func TestFlags(t *testing.T) {
	for value, want := range map[Flag]struct {
		words         string
		usable, valid bool
	}{
		1: {"pass", true, true},
		2: {"not evaluated", true, true},
		3: {"suspect", true, true},
		4: {"fail", false, true},
		9: {"missing", false, true},
		0: {"flag 0", false, false},
		5: {"flag 5", false, false},
	} {
		assert.Equal(t, want.words, value.String())
		assert.Equal(t, want.usable, value.Usable(), want.words)
		assert.Equal(t, want.valid, value.Valid(), want.words)
	}
	assert.Equal(t, []Flag{1, 2, 3, 4, 9}, []Flag{Pass, NotEvaluated, Suspect, Fail, Missing})
}
