package quantity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestDecimal(t *testing.T) {
	steps := 20.1 + float64(1)/20 // as a constant it would be exact
	require.NotEqual(t, 20.15, 0.1+steps-0.1+2e-15)
	assert.Equal(t, 20.15, Decimal(20.150000000000002))
	assert.Equal(t, 18.0, Decimal(Fahrenheit.ToCanonical(64.4)))
	assert.Equal(t, 13.781234567891234, Decimal(13.781234567891234), "a derived value keeps its digits")
	for _, v := range []float64{0, math.Inf(1), 1e300, 5e-324} {
		assert.Equal(t, v, Decimal(v))
	}
	assert.True(t, math.IsNaN(Decimal(math.NaN())))
}

// A value of a sensor comes out again, however it was rounded in between; and no value moves by more than a rounding.
func TestLawsOfDecimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := float64(rapid.IntRange(-9_999_999, 9_999_999).Draw(t, "digits"))
		v := digits / math.Pow10(rapid.IntRange(0, 5).Draw(t, "decimals"))
		noisy := v
		for range rapid.IntRange(0, 3).Draw(t, "roundings") {
			noisy = math.Nextafter(noisy, rapid.SampledFrom([]float64{math.Inf(-1), math.Inf(1)}).Draw(t, "side"))
		}
		if v != 0 {
			require.Equal(t, v, Decimal(noisy))
		}
		any := rapid.Float64().Draw(t, "any")
		require.InDelta(t, any, Decimal(any), 8*(math.Nextafter(math.Abs(any), math.Inf(1))-math.Abs(any))+5e-324)
		require.Equal(t, Decimal(any), Decimal(Decimal(any)))
	})
}
