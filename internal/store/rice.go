package store

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"

	"dewline/internal/core/quantity"
)

// The form of the chunks whose values are multiples of a step, with 8 in the codec byte, is
//
//	codec byte
//	widths     one byte: that of times (4 bits), that of values (4 bits)
//	stride     one byte: value = origin + k·stride/scale
//	early      one byte: the first time is counted from start − early, in ms
//	bits       of the entries, from the highest of each byte to the lowest; zeros fill the last byte
//
// A number n is written in Rice's code (Rice and Plaunt 1971, IEEE Trans. Commun. Technol. 19, p. 889): n >> width zeros, a one, and the
// lowest width bits of n. It suits noise, of which small amounts are frequent. Twelve zeros and a one are an escape.
//
// Each entry is
//
//	time    time − expected in ms. Absent with 2. The next expected time is the expected one + period; with 4 the number is a
//	        zigzag, and the next expected time is the time + period. The escape is followed by the number in 64 bits.
//	value   zigzag(k − k before), k before the first being 0. The escape is followed by four bits: 1 to 9, the flag from here on (at
//	        first 1, pass), and then the value; or 0: the value is missing (NaN); or 10 and the number in 64 bits.
const (
	riceHeader   = 4
	escapeZeros  = 12
	escapeLength = escapeZeros + 1
	maxWidth     = 15
	maxEarly     = 255
)

// maxEntries is how many entries the compressed readings can hold: half a byte or a bit is the least for each.
func maxEntries(samples []byte) int {
	if samples[0]&codecRice != 0 {
		return 8 * (len(samples) - riceHeader)
	}
	return 2 * len(samples)
}

// bitWriter writes bits. Its buffer may be used again. What is not inlined here would make the program for ARMv6 larger by kilobytes, and takes no
// longer: it packs each chunk once a minute.
type bitWriter struct {
	bytes []byte
	last  uint64 // what does not fill a byte yet
	n     uint   // bits of that
}

// put writes the lowest n bits of v, of which there are at most 32 and the others zero.
//
//go:noinline
func (w *bitWriter) put(v uint64, n uint) {
	w.last, w.n = w.last<<n|v, w.n+n
	for ; w.n >= 8; w.n -= 8 {
		w.bytes = append(w.bytes, byte(w.last>>(w.n-8)))
	}
}

// whole writes an escape, the n bits of a code and a number in full.
//
//go:noinline
func (w *bitWriter) whole(code uint64, n uint, v uint64) {
	w.escape(code, n)
	w.put(v>>32, 32)
	w.put(v&math.MaxUint32, 32)
}

func (w *bitWriter) escape(code uint64, n uint) { w.put(1<<n|code, escapeLength+n) }

// rice writes v, and reports whether it did: an escape has to take the place of a larger one.
func (w *bitWriter) rice(v uint64, width uint) bool {
	zeros := v >> width
	if zeros >= escapeZeros {
		return false
	}
	w.put(1<<width|v&(1<<width-1), uint(zeros)+1+width)
	return true
}

// width returns the one with which numbers take the fewest bits, and how many.
//
//go:noinline
func width(numbers []uint64) (best uint, cost uint) {
	cost = math.MaxUint
	for width := uint(0); width <= maxWidth; width++ {
		sum := uint(0)
		for _, n := range numbers {
			sum += width + 1
			if zeros := n >> width; zeros < escapeZeros {
				sum += uint(zeros)
			} else {
				sum += escapeLength + 64
			}
		}
		if sum > cost {
			break
		}
		if sum < cost {
			best, cost = width, sum
		}
	}
	return best, cost
}

// rice packs a block whose values lie on the quantizer.
func (e *encoder) rice(b *block, p packed, l quantizer, codec byte) []byte {
	ofTimes, early := uint(0), int64(0)
	if codec&codecRegular == 0 {
		if ofTimes, early = e.timesOf(b.at, p); early < 0 {
			codec, early = codec|codecFollowed, 0
		}
	}
	e.steps = e.steps[:0]
	k := int64(0)
	for _, v := range b.value {
		step := uint64(0) // missing values are no steps, and are not many
		if !math.IsNaN(v) {
			to, _ := l.nearest(v)
			step = zigzag(to - k)
			k = to
		}
		e.steps = append(e.steps, step)
	}
	ofValues, _ := width(e.steps)
	w := &e.bits
	w.bytes = append(w.bytes[:0], codec, byte(ofTimes<<4|ofValues), byte(l.stride), byte(early))
	flag := quantity.Pass
	for i, v := range b.value {
		if codec&codecRegular == 0 && !w.rice(e.times[i], ofTimes) {
			w.whole(0, 0, e.times[i])
		}
		if b.flag[i] != flag {
			flag = b.flag[i]
			w.escape(uint64(flag), 4)
		}
		if math.IsNaN(v) {
			w.escape(escapeMissing, 4)
		} else if !w.rice(e.steps[i], ofValues) {
			w.whole(escapeFar, 4, e.steps[i])
		}
	}
	w.put(0, -w.n&7)
	return slices.Clone(w.bytes)
}

// timesOf finds the numbers that the times are written with, in the way that takes fewer bits: from an even rhythm, and how early that begins, or
// early −1 and each from the one before.
func (e *encoder) timesOf(at []int64, p packed) (ofTimes uint, early int64) {
	expected := p.start
	for _, at := range at {
		early = max(early, min(expected-at, maxEarly))
		expected += p.period
	}
	e.timesFrom(at, p.start, p.period, true)
	followed, least := width(e.times)
	e.timesFrom(at, p.start-early, p.period, false)
	if even, cost := width(e.times); cost <= least {
		return even, early
	}
	e.timesFrom(at, p.start, p.period, true)
	return followed, -1
}

//go:noinline
func (e *encoder) timesFrom(at []int64, expected, period int64, followed bool) {
	e.times = e.times[:0]
	for _, at := range at {
		n := uint64(at - expected)
		if followed {
			n = zigzag(at - expected)
			expected = at
		}
		e.times = append(e.times, n)
		expected += period
	}
}

// bitReader reads what a bitWriter wrote. Behind the end it gives zeros, and at says so.
type bitReader struct {
	bytes   []byte // with sixteen zeros more
	at, end uint   // in bits
	failed  bool
}

// look returns the next 57 bits or more, the first one highest.
//
//go:noinline
func (r *bitReader) look() uint64 {
	at := min(r.at, r.end)
	return binary.BigEndian.Uint64(r.bytes[at>>3:]) << (at & 7)
}

func (r *bitReader) next(n uint) uint64 {
	v := r.look() >> (64 - n)
	r.at += n
	return v
}

func (r *bitReader) whole() uint64 { return r.next(32)<<32 | r.next(32) }

// rice returns the next number; false for an escape.
//
//go:noinline
func (r *bitReader) rice(width uint) (uint64, bool) {
	zeros := uint(bits.LeadingZeros64(r.look()))
	if zeros >= escapeZeros {
		r.failed = r.failed || zeros > escapeZeros
		r.at += escapeLength
		return 0, false
	}
	r.at += zeros + 1
	return uint64(zeros)<<width | r.next(width), true
}

// done reports whether everything was read: at most seven bits, which are zero, remain.
func (r *bitReader) done() bool {
	return !r.failed && r.at <= r.end && r.end-r.at < 8 && r.look() == 0
}

// window is what is ahead of a bitReader, in variables that stay in registers: the next bits, the first one highest, of which `have` are counted, and
// the byte behind those. Fabian Giesen, "Reading bits in far too many ways", part 2, 2018, variant 4.
func (r *bitReader) window() (w uint64, have, behind uint) {
	r.failed = r.failed || r.at > r.end
	at := min(r.at, r.end)
	return r.look(), 56 - at&7, at>>3 + 7
}

// rice unpacks the entries, but for their values, of which k comes out; false where they are damaged.
func (d *decoder) rice(p packed, count int, b *block) (stride int64, ok bool) {
	codec, ofTimes, ofValues := p.samples[0], uint(p.samples[1]>>4), uint(p.samples[1]&15)
	expected, v := p.start-int64(p.samples[3]), follower{flag: quantity.Pass}
	d.ahead = append(append(d.ahead[:0], p.samples...), make([]byte, 16)...)
	r := bitReader{bytes: d.ahead, at: riceHeader * 8, end: uint(len(p.samples) * 8)}
	ks := d.k[:count]
	times, flags := b.at[:len(ks)], b.flag[:len(ks)]
	ahead, k := d.ahead, int64(0)
	w, have, behind := r.window()
	for i := range ks {
		if behind+8 > uint(len(ahead)) {
			return 0, false
		}
		// 56 bits are enough for a time and a value. Shifts of at most 63 are said to be, which saves a comparison each.
		w |= binary.BigEndian.Uint64(ahead[behind:]) >> (have & 63)
		behind += (63 - have) >> 3
		have |= 56
		times[i] = expected
		if codec&codecRegular == 0 {
			zeros := uint(bits.LeadingZeros64(w))
			n := uint64(zeros)<<(ofTimes&63) | w<<((zeros+1)&63)>>1>>((63-ofTimes)&63)
			if length := zeros + 1 + ofTimes; zeros < escapeZeros { // nearly always
				w <<= length & 63
				have -= length
			} else {
				r.at = behind*8 - have
				_, _ = r.rice(0)
				n = r.whole()
				w, have, behind = r.window()
			}
			if codec&codecFollowed == 0 {
				times[i] += int64(n)
			} else {
				expected += unzigzag(n)
				times[i] = expected
			}
		}
		expected += p.period
		if zeros := uint(bits.LeadingZeros64(w)); zeros < escapeZeros { // nearly always
			k += unzigzag(uint64(zeros)<<(ofValues&63) | w<<((zeros+1)&63)>>1>>((63-ofValues)&63))
			length := zeros + 1 + ofValues
			w <<= length & 63
			have -= length
			ks[i] = k
		} else {
			r.at, v.k = behind*8-have, k
			ks[i] = v.unusual(&r, ofValues)
			k = v.k
			w, have, behind = r.window()
		}
		flags[i] = v.flag
	}
	r.at = behind*8 - have
	d.k, b.at, b.flag = ks, times, flags
	return int64(p.samples[2]), r.done()
}

// unusual reads a value that may begin with escapes.
func (v *follower) unusual(r *bitReader, width uint) int64 {
	for {
		if n, ok := r.rice(width); ok {
			v.k += unzigzag(n)
			return v.k
		}
		switch escape := r.next(4); {
		case escape == escapeMissing:
			return noK
		case escape == escapeFar:
			v.k += unzigzag(r.whole())
			return v.k
		case escape < escapeFar:
			v.flag = quantity.Flag(escape)
		default:
			r.failed = true
			return noK
		}
	}
}
