package store

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
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

// inTokens packs multiples of a step as it was done until 2026-12-01: as the bits of floats still are, with k in their place.
func inTokens(b *block, l quantizer) packed {
	var e encoder
	p := packed{start: slices.Min(b.at), origin: l.origin, scale: l.scale}
	p.period, _ = e.rhythm(b.at, p.start)
	p.fix, _ = e.fix(l, e.allValues(b))
	ks := block{at: b.at, value: slices.Clone(b.value), flag: b.flag}
	for i, v := range b.value {
		if !math.IsNaN(v) {
			k, _ := l.nearest(v)
			ks.value[i] = unordered(k)
		}
	}
	e.tokens.octet(0)
	e.entries(&ks, p, false)
	p.samples = e.tokens.bytes
	return p
}

func TestBlockOfAnEarlierProgramComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := quantizer{rapid.SampledFrom([]float64{0, -45, 21.3}).Draw(t, "origin"), rapid.SampledFrom([]float64{16, 100, 65535. / 175}).Draw(t, "scale"), 1}
		want := &block{}
		at := rapid.Int64Range(-1e12, 3e12).Draw(t, "begin")
		for range rapid.IntRange(1, 60).Draw(t, "count") {
			v := l.value(rapid.Int64Range(-100, 10_000).Draw(t, "k"))
			switch rapid.IntRange(0, 9).Draw(t, "of ten") {
			case 0:
				v = math.NaN()
			case 1:
				v = math.Nextafter(v, 1000)
			}
			want.add(at, v, rapid.SampledFrom(flags).Draw(t, "flag"))
			at += rapid.OneOf(rapid.Int64Range(9_990, 10_010), rapid.Int64Range(-1e9, 1e9)).Draw(t, "step")
		}
		var e encoder
		if all := e.allValues(want); slices.ContainsFunc(all, func(v float64) bool { return slices.Contains(all, math.Nextafter(v, 1000)) }) {
			return // two values of one k: written as floats
		}
		var d decoder
		var got block
		require.NoError(t, d.decode(inTokens(want, l), len(want.at), &got))
		same(t, want, &got)
	})
}

// rhythms give times that are written in each of the ways.
var rhythms = map[string]struct {
	codec byte
	at    func(i int64) int64
}{
	"even":                      {codecRice | codecRegular, func(i int64) int64 { return i * 10_000 }},
	"trembling":                 {codecRice, func(i int64) int64 { return i*10_000 + tremble(i) }},
	"trembling, the first late": {codecRice, func(i int64) int64 { return i*10_000 + tremble(i) + max(0, 200-i*1000) }},
	"one of them late":          {codecRice, func(i int64) int64 { return i*10_000 + tremble(i) + i/50%2*(i%50/49)*9000 }},
	"of another clock":          {codecRice | codecFollowed, func(i int64) int64 { return i*10_000 + tremble(i) + i*2/5 }},
	"with a gap":                {codecRice | codecFollowed, func(i int64) int64 { return i*10_000 + tremble(i) + i/100*700_000 }},
	"back and forth":            {codecRice | codecFollowed, func(i int64) int64 { return i*10_000 + tremble(i) - i/100*3_000_000 }},
}

// tremble is up to 3 ms.
func tremble(i int64) int64 { return i * i * 2654435761 >> 13 & 3 }

// rhythmical is a block of such times, with values that tremble and jump, flags, and missing values.
func rhythmical(at func(i int64) int64) *block {
	b := &block{}
	for i := range int64(240) {
		v, flag := float64(2000+i*i*11%17)/100, quantity.Pass
		switch {
		case i%60 == 20:
			v = math.NaN()
		case i%60 >= 40:
			flag = flags[i/60]
		case i == 70:
			v = -1e8
		}
		b.add(millis(noon)+at(i), v, flag)
	}
	return b
}

func TestEachRhythmHasItsForm(t *testing.T) {
	var e encoder
	var d decoder
	for name, r := range rhythms {
		want, got := rhythmical(r.at), block{}
		p := e.encode(want, 0.01)
		assert.Equal(t, r.codec, p.samples[0], name)
		assert.Less(t, len(p.samples), 330, name)
		require.NoError(t, d.decode(p, len(want.at), &got), name)
		same(t, want, &got)
	}
}

func TestNumbersInBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.UintRange(0, maxWidth).Draw(t, "width")
		numbers := rapid.SliceOf(rapid.OneOf(rapid.Uint64Range(0, 20<<width), rapid.Uint64())).Draw(t, "numbers")
		var w bitWriter
		for _, n := range numbers {
			if !w.rice(n, width) {
				w.whole(0, 0, n)
			}
		}
		w.put(0, -w.n&7)
		r := bitReader{bytes: append(w.bytes, make([]byte, 16)...), end: uint(len(w.bytes) * 8)}
		for _, want := range numbers {
			got, ok := r.rice(width)
			require.Equal(t, want>>width < escapeZeros, ok)
			if !ok {
				got = r.whole()
			}
			require.Equal(t, want, got)
		}
		require.True(t, r.done())
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
		"formula of a humidity sensor, another step described":    {func(k float64) float64 { return -6 + 125*k/65535 }, 0.01, 45000},
		"calibrated":           {func(k float64) float64 { return 1.0137*(k/100) - 0.2113 }, 0.01, 2200},
		"pressure":             {func(k float64) float64 { return 30000 + 2.6*k }, 2.6, 27000},
		"nothing is described": {func(k float64) float64 { return k / 128 }, 0, 3000},
	} {
		b := &block{}
		for i := range 360 {
			b.add(int64(i)*10_000, c.value(math.Round(c.counts+4*chance.NormFloat64())), quantity.Pass)
		}
		var e encoder
		p := e.encode(b, c.resolution)
		assert.Zero(t, p.samples[0]&codecBits, name)
		assert.Less(t, len(p.samples), 360, "%s: one byte a reading", name)
		if name == "decimal" || name == "sixteenths" || strings.Contains(name, "described") {
			assert.Nil(t, p.fix, "%s: no corrections", name)
		}
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
		"unknown form":      {[]byte{16, 0}, nil, 1},
		"none":              {[]byte{2, 0x10}, nil, 0},
		"too few":           {[]byte{2, 0x10}, nil, 3},
		"more than fit":     {[]byte{2, 0x10}, nil, math.MaxInt},
		"bytes left over":   {[]byte{2, 0x11, 0x11}, nil, 1},
		"padding not zero":  {[]byte{2, 0x11}, nil, 1},
		"unknown escape":    {[]byte{2, 0x09, 0x71}, nil, 1},
		"token without end": {[]byte{2, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, nil, 1},
		"too many fixes":    {[]byte{2, 0x10}, []byte{0x11, 0x11}, 1},
		"minutes":           {[]byte{4, 0x10}, nil, 1},

		"rice of floats":           {[]byte{9, 0, 1, 0, 0x80}, nil, 1},
		"rice without header":      {[]byte{10, 0, 1}, nil, 1},
		"rice without bits":        {[]byte{10, 0, 1, 0}, nil, 1},
		"rice: none":               {[]byte{10, 0, 1, 0, 0x80}, nil, 0},
		"rice: more than fit":      {[]byte{10, 0, 1, 0, 0xff}, nil, 9},
		"rice: too few":            {[]byte{10, 0, 1, 0, 0x80}, nil, 2},
		"rice: bytes left over":    {[]byte{10, 0, 1, 0, 0x80, 0}, nil, 1},
		"rice: padding not zero":   {[]byte{10, 0, 1, 0, 0x81}, nil, 1},
		"rice: cut number":         {[]byte{10, 15, 1, 0, 0xff}, nil, 1},
		"rice: cut time":           {[]byte{8, 0xf0, 1, 0, 0xff}, nil, 1},
		"rice: too many zeros":     {[]byte{10, 0, 1, 0, 0, 0x04}, nil, 1},
		"rice: too many of a time": {[]byte{8, 0, 1, 0, 0, 0x07, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x80}, nil, 1},
		"rice: cut escape":         {[]byte{10, 0, 1, 0, 0, 0x08}, nil, 1},
		"rice: unknown escape":     {[]byte{10, 0, 1, 0, 0, 0x0d, 0xc0}, nil, 1},
		"rice: cut number in full": {[]byte{10, 0, 1, 0, 0, 0x0d, 0x00, 0, 0, 0}, nil, 1},
		"rice: cut time in full":   {[]byte{8, 0, 1, 0, 0, 0x08, 0, 0, 0}, nil, 1},
		"rice: corrections left":   {[]byte{10, 0, 1, 0, 0x80}, []byte{0x11, 0x11}, 1},
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
	for _, b := range []*block{
		{at: []int64{0, 10_002, 20_001, 30_003}, value: []float64{21.37, 21.38, 99, math.NaN()}, flag: []quantity.Flag{1, 1, 4, 9}},
		{at: []int64{0, 10_000, 20_000}, value: []float64{1, 2, 3}, flag: []quantity.Flag{1, 1, 1}},
		{at: []int64{0, 11, 25, 7_000_000, 7_000_012}, value: []float64{1, 2, 3, 2, 1}, flag: []quantity.Flag{1, 1, 1, 1, 2}},
	} {
		p := e.encode(b, 0.01)
		f.Add(p.samples, p.fix, p.start, p.period, p.origin, p.scale, len(b.at))
		p = inTokens(b, quantizer{0, 100, 1})
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
		require.LessOrEqual(t, len(b.at), 8*len(samples))
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
