package store

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewline/internal/core/quantity"
)

var flags = []quantity.Flag{quantity.Pass, quantity.NotEvaluated, quantity.Suspect, quantity.Fail, quantity.Missing}

// same compares bit by bit; all NaN are the same.
func same(t require.TestingT, want, got *block) {
	require.Equal(t, want.at, got.at)
	require.Equal(t, want.flag, got.flag)
	sameValues(t, want.value, got.value)
}

func sameValues(t require.TestingT, want, got []float64) {
	require.Len(t, got, len(want))
	for i := range want {
		if math.IsNaN(want[i]) {
			require.True(t, math.IsNaN(got[i]), "value %d", i)
			continue
		}
		require.Equal(t, math.Float64bits(want[i]), math.Float64bits(got[i]), "value %d: %v became %v", i, want[i], got[i])
	}
}

// anyValue draws values as sensors give them and values as no sensor gives them.
func anyValue(t *rapid.T) func() float64 {
	step := rapid.SampledFrom([]float64{0.01, 0.0625, 1, 2.6, 175.0 / 65535, 1e-9}).Draw(t, "step")
	origin := rapid.SampledFrom([]float64{0, -45, -40, 0.3, 30000}).Draw(t, "origin")
	kind := rapid.SampledFrom([]string{"quantizer", "float", "mixed"}).Draw(t, "kind")
	return func() float64 {
		if kind == "quantizer" || kind == "mixed" && rapid.IntRange(0, 9).Draw(t, "of ten") > 0 {
			return origin + step*float64(rapid.IntRange(-100, 10000).Draw(t, "k"))
		}
		return rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{
			math.NaN(), 0, math.Copysign(0, -1), math.Inf(1), math.Inf(-1), math.MaxFloat64, -math.MaxFloat64,
			math.SmallestNonzeroFloat64, 2, -math.Nextafter(2, 0), 21.37, math.Nextafter(21.37, 22),
		})).Draw(t, "value")
	}
}

func drawBlock(t *rapid.T) *block {
	b := &block{}
	value := anyValue(t)
	at := rapid.Int64Range(-1e12, 3e12).Draw(t, "begin")
	for range rapid.IntRange(1, 60).Draw(t, "count") {
		b.add(at, value(), rapid.SampledFrom(flags).Draw(t, "flag"))
		at += rapid.OneOf(rapid.Just(int64(10_000)), rapid.Int64Range(9_990, 10_010), rapid.Int64Range(-1e9, 1e9)).Draw(t, "step")
	}
	return b
}

func TestAnyBlockComesBackBitByBit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var e encoder
		var d decoder
		for range 2 { // the second one finds the buffers of the first
			want := drawBlock(t)
			resolution := rapid.SampledFrom([]float64{0, 0.01, 0.0625, 1, 2.6, -1, math.NaN(), math.Inf(1), 1e-300}).Draw(t, "resolution")
			p := e.encode(want, resolution)
			var got block
			require.NoError(t, d.decode(p, len(want.at), &got))
			same(t, want, &got)
		}
	})
}

// Among values as large as a float holds, the multiple of a step next to a difference can be infinite: the search for a common step
// ends all the same.
func TestHugeValuesComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		huge := rapid.Float64Range(-math.MaxFloat64, math.MaxFloat64)
		want := &block{}
		for i, v := range rapid.SliceOfN(huge, 1, 100).Draw(t, "values") {
			want.add(int64(i)*1000, v/rapid.SampledFrom([]float64{1, 2, 4, 1000}).Draw(t, "share"), quantity.Pass)
		}
		var e encoder
		var d decoder
		var got block
		require.NoError(t, d.decode(e.encode(want, 0), len(want.at), &got))
		same(t, want, &got)
	})
	for _, values := range [][]float64{
		{0, 1.19e308, 1.75e308}, {-0.87e308, 0.3e308, 0.89e308}, {0, 0.7e308, 1.7e308, 1.79e308},
	} {
		_, _ = commonStep(values)
	}
}

func TestTokens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOf(rapid.OneOf(rapid.Uint64(), rapid.Uint64Range(0, 70), rapid.Just(uint64(math.MaxUint64)))).Draw(t, "numbers")
		var w tokenWriter
		for _, n := range numbers {
			w.put(n)
		}
		r := tokenReader{bytes: w.bytes}
		for _, n := range numbers {
			require.Equal(t, n, r.next())
		}
		require.True(t, r.done())
	})
	r := tokenReader{bytes: slices.Repeat([]byte{0xff}, 100)}
	assert.Zero(t, r.next())
	assert.True(t, r.failed, "a number of more than 64 bits")
}

func TestOrderedKeepsOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64().Draw(t, "a"), rapid.Float64().Draw(t, "b")
		require.Equal(t, math.Float64bits(a), math.Float64bits(unordered(ordered(a))))
		if a < b {
			require.Less(t, ordered(a), ordered(b))
		}
	})
}

// Readings of a sensor must find their quantizer, whatever the description says: that is what makes them small.
func TestSensorsFindTheirLattice(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 1))
	for name, c := range map[string]struct {
		value      func(counts float64) float64
		resolution float64
		counts     float64
	}{
		"decimal":             {func(k float64) float64 { return k / 100 }, 0.01, 2200},
		"decimal, multiplied": {func(k float64) float64 { return k * 0.01 }, 0.01, 2200},
		"sixteenths":          {func(k float64) float64 { return k / 16 }, 0.0625, 350},
		"from the low end":    {func(k float64) float64 { return -40 + k*0.01 }, 0.01, 6200},
		"formula of a 16-bit humidity sensor, its step described": {func(k float64) float64 { return -45 + 175*k/65535 }, 175.0 / 65535, 25000},
		"the same, another step described":                        {func(k float64) float64 { return -45 + 175*k/65535 }, 0.01, 25000},
		"calibrated":                                              {func(k float64) float64 { return 1.0137*(k/100) - 0.2113 }, 0.01, 2200},
		"pressure":                                                {func(k float64) float64 { return 30000 + 2.6*k }, 2.6, 27000},
		"nothing described":                                       {func(k float64) float64 { return k / 128 }, 0, 3000},
	} {
		b := &block{}
		for i := range 360 {
			b.add(int64(i)*10_000, c.value(math.Round(c.counts+4*chance.NormFloat64())), quantity.Pass)
		}
		var e encoder
		p := e.encode(b, c.resolution)
		assert.Zero(t, p.samples[0]&codecBits, name)
		assert.Less(t, len(p.samples)+len(p.fix), 360, "%s: one byte a reading", name)
	}
}

func TestDamagedChunksAreRefused(t *testing.T) {
	var d decoder
	for name, c := range map[string]struct {
		samples []byte
		fix     []byte
		count   int
	}{
		"empty":             {nil, nil, 1},
		"unknown form":      {[]byte{8, 0}, nil, 1},
		"none":              {[]byte{2, 0x10}, nil, 0},
		"too few":           {[]byte{2, 0x10}, nil, 3},
		"more than fit":     {[]byte{2, 0x10}, nil, math.MaxInt},
		"bytes left over":   {[]byte{2, 0x11, 0x11}, nil, 1},
		"padding not zero":  {[]byte{2, 0x11}, nil, 1},
		"unknown escape":    {[]byte{2, 0x09, 0x71}, nil, 1},
		"token without end": {[]byte{2, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, nil, 1},
		"too many fixes":    {[]byte{2, 0x10}, []byte{0x11, 0x11}, 1},
		"minutes":           {[]byte{4, 0x10}, nil, 1},
	} {
		b := block{at: []int64{1}}
		require.Error(t, d.decode(packed{scale: 1, samples: c.samples, fix: c.fix}, c.count, &b), name)
		assert.Empty(t, b.at, name)
		assert.Empty(t, b.value, name)
	}
}

func FuzzDecode(f *testing.F) {
	var e encoder
	for _, b := range []*block{
		{at: []int64{0, 10_000, 20_003}, value: []float64{21.37, 21.38, math.NaN()}, flag: []quantity.Flag{1, 1, 9}},
		{at: []int64{5, 5, 4}, value: []float64{math.Pi, -math.E, math.Inf(1)}, flag: []quantity.Flag{3, 4, 2}},
		{at: []int64{0, 1}, value: []float64{-40 + 6137*0.01, -40 + 6138*0.01}, flag: []quantity.Flag{1, 1}},
	} {
		p := e.encode(b, 0.01)
		f.Add(p.samples, p.fix, p.start, p.period, p.origin, p.scale, len(b.at))
	}
	f.Add([]byte{2, 0x88, 0xff}, []byte{0xff}, int64(math.MaxInt64), int64(math.MinInt64), math.NaN(), 0.0, 1<<30)
	f.Fuzz(func(t *testing.T, samples, fix []byte, start, period int64, origin, scale float64, count int) {
		var d decoder
		var b block
		p := packed{start, period, origin, scale, samples, fix}
		if err := d.decode(p, count, &b); err != nil {
			require.Empty(t, b.at)
			return
		}
		require.LessOrEqual(t, len(b.at), 2*len(samples))
		// What was read can be written, and is the same when it is read again.
		again := e.encode(&b, 0)
		var c block
		require.NoError(t, d.decode(again, len(b.at), &c))
		same(t, &b, &c)
	})
}

// chanceValue gives such a mixture by a seed, for when there are many.
func chanceValue(t *rapid.T) func() float64 {
	chance := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	step := rapid.SampledFrom([]float64{0.01, 0.0625, 175.0 / 65535}).Draw(t, "step")
	odd := rapid.SampledFrom([]int{0, 0, 1, 100}).Draw(t, "odd values of a hundred")
	oddities := []float64{math.NaN(), 0, math.Copysign(0, -1), math.Inf(1), math.Inf(-1), math.MaxFloat64, math.Pi, -math.Nextafter(2, 0)}
	return func() float64 {
		if chance.IntN(100) < odd {
			return oddities[chance.IntN(len(oddities))] * (1 + chance.Float64())
		}
		return -45 + step*float64(20_000+chance.IntN(40))
	}
}
