package store

import "math/bits"

// Tokens are whole numbers written in groups of four bits: three of the number, the highest first, and one (the value 8)
// that says that another group follows. Small numbers take half a byte, and a plain hex() shows the groups to SQL.

// tokenWriter writes tokens. Its buffer may be used again.
type tokenWriter struct {
	bytes []byte
	half  bool // the last byte has room for another group
}

// reset empties the writer and keeps its buffer.
func (w *tokenWriter) reset() { w.bytes, w.half = w.bytes[:0], false }

// octet writes a whole byte; only before the first token.
func (w *tokenWriter) octet(b byte) { w.bytes = append(w.bytes, b) }

func (w *tokenWriter) group(g byte) {
	if w.half {
		w.bytes[len(w.bytes)-1] |= g
	} else {
		w.bytes = append(w.bytes, g<<4)
	}
	w.half = !w.half
}

func (w *tokenWriter) put(v uint64) {
	for shift := (max(bits.Len64(v), 1) - 1) / 3 * 3; shift > 0; shift -= 3 {
		w.group(8 | byte(v>>shift)&7)
	}
	w.group(byte(v) & 7)
}

func (w *tokenWriter) putSigned(v int64) { w.put(zigzag(v)) }

// tokenReader reads what a tokenWriter wrote. After an error it gives zeros.
type tokenReader struct {
	bytes  []byte
	at     int // in groups
	failed bool
}

// next is short enough to be inlined for the many tokens of one group.
func (r *tokenReader) next() uint64 {
	if i := r.at >> 1; i < len(r.bytes) {
		if g := r.bytes[i] >> (4 &^ (r.at << 2)); g&8 == 0 {
			r.at++
			return uint64(g & 7)
		}
	}
	return r.long()
}

func (r *tokenReader) long() uint64 {
	var v uint64
	for range 22 { // 64 bits are 22 groups
		if r.at>>1 >= len(r.bytes) {
			break
		}
		g := r.bytes[r.at>>1] >> (4 &^ (r.at << 2))
		r.at++
		v = v<<3 | uint64(g&7)
		if g&8 == 0 {
			return v
		}
	}
	r.failed = true
	return 0
}

func (r *tokenReader) nextSigned() int64 { return unzigzag(r.next()) }

// done reports whether everything was read: at most half a byte of padding, which is zero, remains.
func (r *tokenReader) done() bool {
	if r.failed {
		return false
	}
	rest := len(r.bytes)*2 - r.at
	return rest == 0 || rest == 1 && r.bytes[len(r.bytes)-1]&15 == 0
}

// zigzag maps small numbers of either sign to small numbers.
func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(z uint64) int64 { return int64(z>>1) ^ -int64(z&1) }
