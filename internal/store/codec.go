package store

import (
	"fmt"
	"math"
	"slices"

	"dewline/internal/core/quantity"
)

// The compressed readings of a chunk (column `samples`) begin with a codec byte. Beside them, in columns of their own, is what
// they are relative to: start, period, origin, scale.
//
// The codec byte is the sum of
//
//	1  values are the bits of floats, not multiples of a step
//	2  times go from start in steps of period, and are not written
//	4  with 8: each time goes from the one before
//	8  the form of rice.go, for multiples of a step; the form described here is written for all other values, and was for all
//	   values until 2026-12-01
//
// Behind the codec byte are tokens (varint.go). Each entry is
//
//	time    zigzag(time − time before − period) in ms; before the first it is start − period. Absent with 2.
//	value   zigzag(k − k before) + 1, k before the first being 0
//
// where value = origin + k/scale, or k = the bits of the float (see ordered) with 1. The token 0 in place of a value is an
// escape: it is followed by 1 to 9, the flag from here on (at first 1, pass), and then the value; or by 0: the value is
// missing (NaN); or by 10 and zigzag(k), for a difference that does not fit into 63 bits.
//
// Column `fix` holds, for the k in use from the lowest to the highest, zigzag(units in the last place by which the value
// differs from origin + k/scale). It is NULL where all are exact.
const (
	codecBits     = 1
	codecRegular  = 2
	codecFollowed = 4
	codecRice     = 8
)

// The escapes.
const (
	escapeMissing = 0
	escapeFar     = 10
)

// block is a decoded chunk: entries in the order in which they came. The slices have the same length.
type block struct {
	at    []int64 // ms
	value []float64
	flag  []quantity.Flag
}

func (b *block) reset() { b.at, b.value, b.flag = b.at[:0], b.value[:0], b.flag[:0] }

func (b *block) add(at int64, v float64, f quantity.Flag) {
	if n := len(b.at); n == cap(b.at) && n < ChunkReadings {
		// Left to append, the room would double beyond what a chunk can hold.
		room := min(max(8, 2*n), ChunkReadings)
		b.at, b.value, b.flag = withRoom(b.at, room), withRoom(b.value, room), withRoom(b.flag, room)
	}
	b.at, b.value, b.flag = append(b.at, at), append(b.value, v), append(b.flag, f)
}

// withRoom returns a copy of a slice with room for so many.
func withRoom[T any](s []T, room int) []T { return append(make([]T, 0, room), s...) }

// packed is what the codec needs to give back a block.
type packed struct {
	start, period int64 // ms
	origin, scale float64
	samples, fix  []byte
}

// encoder turns blocks into packed chunks. It is used again to spare the garbage collector.
type encoder struct {
	tokens, fixes tokenWriter
	bits          bitWriter
	distinct      []float64
	deltas, keys  []int64
	times, steps  []uint64
}

// encode packs a block that is not empty.
func (e *encoder) encode(b *block, resolution float64) packed {
	p := packed{start: slices.Min(b.at)}
	var regular bool
	p.period, regular = e.rhythm(b.at, p.start)
	codec := byte(0)
	if regular {
		codec |= codecRegular
	}
	if all := e.allValues(b); all != nil {
		if l, ok := findQuantizer(all, resolution); ok {
			if p.fix, ok = e.fix(l, all); ok {
				p.origin, p.scale = l.origin, l.scale
				p.samples = e.rice(b, p, l, codec|codecRice)
				return p
			}
		}
	}
	p.scale = 1
	e.tokens.reset()
	e.tokens.octet(codec | codecBits)
	e.entries(b, p, regular)
	p.samples = slices.Clone(e.tokens.bytes)
	return p
}

// entries writes values as the bits of floats.
func (e *encoder) entries(b *block, p packed, regular bool) {
	w := &e.tokens
	before, k, flag := p.start-p.period, int64(0), quantity.Pass
	for i, at := range b.at {
		if !regular {
			w.putSigned(at - before - p.period)
		}
		before = at
		if b.flag[i] != flag {
			flag = b.flag[i]
			w.put(0)
			w.put(uint64(flag))
		}
		if math.IsNaN(b.value[i]) {
			w.put(0)
			w.put(escapeMissing)
			continue
		}
		to := ordered(b.value[i])
		if by := to - k; by == math.MinInt64 || (to < k) != (by < 0) {
			w.put(0)
			w.put(escapeFar)
			w.putSigned(to)
		} else {
			w.put(zigzag(by) + 1)
		}
		k = to
	}
}

// rhythm returns the median step between the times, and whether it is the only one.
func (e *encoder) rhythm(at []int64, start int64) (period int64, regular bool) {
	e.deltas = e.deltas[:0]
	for i := 1; i < len(at); i++ {
		e.deltas = append(e.deltas, at[i]-at[i-1])
	}
	if len(e.deltas) > 0 {
		slices.Sort(e.deltas)
		period = e.deltas[len(e.deltas)/2]
		regular = e.deltas[0] == e.deltas[len(e.deltas)-1]
	} else {
		regular = true
	}
	return period, regular && at[0] == start
}

// allValues returns the finite values of the block, sorted, each once (the two zeros are two values); nil where there is none or one
// is infinite. They are sorted as whole numbers, which other sorts of the program share.
func (e *encoder) allValues(b *block) []float64 {
	e.keys, e.distinct = e.keys[:0], e.distinct[:0]
	for _, v := range b.value {
		switch {
		case math.IsInf(v, 0):
			return nil
		case !math.IsNaN(v):
			e.keys = append(e.keys, ordered(v))
		}
	}
	slices.Sort(e.keys)
	for _, key := range slices.Compact(e.keys) {
		e.distinct = append(e.distinct, unordered(key))
	}
	if len(e.distinct) == 0 {
		return nil
	}
	return e.distinct
}

// fix writes by how much the values differ from the quantizer; ok is false where two of them have the same k.
func (e *encoder) fix(l quantizer, distinct []float64) (fix []byte, ok bool) {
	e.fixes.reset()
	exact, last := true, int64(math.MinInt64)
	for _, v := range distinct {
		k, _ := l.nearest(v)
		if k <= last {
			return nil, false
		}
		last = k
		by := ordered(v) - ordered(l.value(k))
		exact = exact && by == 0
		e.fixes.putSigned(by)
	}
	if exact {
		return nil, true
	}
	return slices.Clone(e.fixes.bytes), true
}

// decoder unpacks chunks. It is used again to spare the garbage collector.
type decoder struct {
	k         []int64 // of the values; absent is noK
	used, by  []int64 // the k in use, and their corrections
	low, high int64   // of those
	mask      []bool
	ahead     []byte  // the compressed readings with room behind them
	table     []int64 // corrections by k − low
}

// noK marks a missing value.
const noK = math.MinInt64

// decode fills b with the entries of a chunk. count is their number. Whatever the bytes are, no more entries come out
// than maxEntries says. On error b is empty.
func (d *decoder) decode(p packed, count int, b *block) (err error) {
	b.reset()
	defer func() {
		if err != nil {
			b.reset()
		}
	}()
	if len(p.samples) == 0 {
		return fmt.Errorf("%w: no readings", errDamaged)
	}
	codec := p.samples[0]
	if codec > codecBits|codecRegular && codec&^(codecRegular|codecFollowed) != codecRice {
		return fmt.Errorf("they are in a form (%d) that this program does not know: use a newer one", codec)
	}
	if count < 1 || count > maxEntries(p.samples) {
		return fmt.Errorf("%w: %d readings in %d bytes", errDamaged, count, len(p.samples))
	}
	d.k, b.at, b.flag = slices.Grow(d.k[:0], count), slices.Grow(b.at, count), slices.Grow(b.flag, count)
	l := quantizer{p.origin, p.scale, 1}
	if codec&codecRice != 0 {
		var ok bool
		if l.stride, ok = d.rice(p, count, b); !ok {
			return errDamaged
		}
		return d.values(p.fix, l, b)
	}
	r := tokenReader{bytes: p.samples[1:]}
	d.entries(&r, p, codec, count, b)
	if !r.done() {
		return errDamaged
	}
	if codec&codecBits != 0 {
		b.value = appendBits(b.value, d.k)
		return nil
	}
	return d.values(p.fix, l, b)
}

func (d *decoder) entries(r *tokenReader, p packed, codec byte, count int, b *block) {
	at, v := p.start-p.period, follower{flag: quantity.Pass}
	for range count {
		at += p.period
		if codec&codecRegular == 0 {
			at += r.nextSigned()
		}
		var k int64
		if z := r.next(); z != 0 { // nearly always
			v.k += unzigzag(z - 1)
			k = v.k
		} else {
			k = v.escaped(r)
		}
		if r.failed {
			return
		}
		d.k = append(d.k, k)
		b.at, b.flag = append(b.at, at), append(b.flag, v.flag)
	}
}

// follower follows the values of a chunk.
type follower struct {
	k    int64 // of the last value
	flag quantity.Flag
}

// escaped reads what follows an escape.
func (v *follower) escaped(r *tokenReader) int64 {
	for {
		switch f := r.next(); {
		case r.failed, f == escapeMissing:
			return noK
		case f == escapeFar:
			v.k = r.nextSigned()
			return v.k
		case f < escapeFar:
			v.flag = quantity.Flag(f)
		default:
			r.failed = true
			return noK
		}
		if z := r.next(); z != 0 {
			v.k += unzigzag(z - 1)
			return v.k
		}
	}
}

func appendBits(values []float64, ks []int64) []float64 {
	for _, k := range ks {
		if k == noK {
			values = append(values, math.NaN())
		} else {
			values = append(values, unordered(k))
		}
	}
	return values
}

// values turns k into values on the quantizer, with their corrections.
func (d *decoder) values(fix []byte, l quantizer, b *block) error {
	d.by = d.by[:0]
	if len(fix) > 0 {
		d.collectUsed()
		if err := d.readFixes(fix); err != nil {
			return err
		}
	}
	b.value = d.appendValues(b.value, l)
	return nil
}

// readFixes reads the corrections of the k in use.
func (d *decoder) readFixes(fix []byte) error {
	d.sortUsed()
	r := tokenReader{bytes: fix}
	d.by = d.by[:0]
	for range d.used {
		d.by = append(d.by, r.nextSigned())
	}
	if !r.done() {
		return fmt.Errorf("%w: the corrections do not fit the readings", errDamaged)
	}
	if d.dense() {
		// The spread of the k in use is small: a table by k, absent ones included.
		d.table = slices.Grow(d.table[:0], denseRange)[:d.high-d.low+1]
		for i, k := range d.used {
			d.table[k-d.low] = d.by[i]
		}
	}
	return nil
}

func (d *decoder) appendValues(values []float64, l quantizer) []float64 {
	fixed, dense := len(d.by) > 0, d.dense()
	for _, k := range d.k {
		if k == noK {
			values = append(values, math.NaN())
			continue
		}
		v := l.value(k)
		switch {
		case fixed && dense:
			v = unordered(ordered(v) + d.table[k-d.low])
		case fixed:
			i, _ := slices.BinarySearch(d.used, k)
			v = unordered(ordered(v) + d.by[i])
		}
		values = append(values, v)
	}
	return values
}

// denseRange is the spread of k up to which tables are used instead of sorting.
const denseRange = 4096

func (d *decoder) dense() bool { return d.high-d.low >= 0 && d.high-d.low < denseRange }

// collectUsed lists the k in use, with repetitions, and their extremes.
func (d *decoder) collectUsed() {
	d.used, d.by = d.used[:0], d.by[:0]
	d.low, d.high = math.MaxInt64, math.MinInt64
	for _, k := range d.k {
		if k != noK {
			d.used = append(d.used, k)
			d.low, d.high = min(d.low, k), max(d.high, k)
		}
	}
}

// sortUsed sorts the k in use and drops repetitions.
func (d *decoder) sortUsed() {
	if !d.dense() {
		slices.Sort(d.used)
		d.used = slices.Compact(d.used)
		return
	}
	d.mask = slices.Grow(d.mask[:0], denseRange)[:d.high-d.low+1]
	clear(d.mask)
	for _, k := range d.used {
		d.mask[k-d.low] = true
	}
	d.used = d.used[:0]
	for i, in := range d.mask {
		if in {
			d.used = append(d.used, d.low+int64(i))
		}
	}
}
