package block

import (
	"encoding/binary"
	"math/bits"
)

// bitWriter packs bits, the first into the highest bit of the first byte.
type bitWriter struct {
	b   []byte
	acc uint64 // the last n bits written, in its low bits
	n   uint   // fewer than 8 between two calls
}

// write appends the low n bits of v, n at most 56.
func (w *bitWriter) write(v uint64, n uint) {
	w.acc = w.acc<<n | v&(1<<n-1)
	w.n += n
	for w.n >= 8 {
		w.n -= 8
		w.b = append(w.b, byte(w.acc>>w.n))
	}
}

// wide appends all of v's low n bits, n at most 64.
func (w *bitWriter) wide(v uint64, n uint) {
	if n > 32 {
		w.write(v>>32, n-32)
		n = 32
	}
	w.write(v, n)
}

// golomb appends v as an exponential Golomb code of the given order, at least 1: a zero for each bit that v>>order + 1
// has behind its highest one, that number, and the order low bits of v. It takes 1 + order bits for the smallest
// numbers, and two more for each doubling.
func (w *bitWriter) golomb(v uint64, order uint) {
	high := v>>order + 1
	n := uint(bits.Len64(high))
	w.wide(0, n-1)
	w.wide(high, n)
	w.wide(v, order)
}

// signed appends v as a Golomb code of its zigzag.
func (w *bitWriter) signed(v int64, order uint) { w.golomb(zigzag(v), order) }

// signedBits is how many bits signed takes.
func signedBits(v int64, order uint) int {
	return 2*bits.Len64(zigzag(v)>>order+1) - 1 + int(order)
}

// finish fills the last byte with zeros.
func (w *bitWriter) finish() []byte {
	if w.n > 0 {
		w.write(0, 8-w.n)
	}
	return w.b
}

// bitReader reads what bitWriter wrote. Behind the end it reads zeros; over tells that it came there.
type bitReader struct {
	b   []byte
	pos int    // next byte to be taken into acc
	acc uint64 // bits that come next, from the top
	n   uint   // how many of them count; what lies below are bits of b already or zero
}

// fill makes at least 56 bits count.
func (r *bitReader) fill() {
	if r.pos+8 <= len(r.b) {
		r.acc |= binary.BigEndian.Uint64(r.b[r.pos:]) >> r.n
		r.pos += int((63 - r.n) >> 3)
		r.n |= 56
		return
	}
	r.fillSlowly()
}

func (r *bitReader) fillSlowly() {
	for r.n < 56 {
		if r.pos < len(r.b) {
			r.acc |= uint64(r.b[r.pos]) << (56 - r.n)
		}
		r.pos++
		r.n += 8
	}
}

// read takes n bits, at most 56.
func (r *bitReader) read(n uint) uint64 {
	if r.n < n {
		r.fill()
	}
	v := r.acc >> (63 - n) >> 1
	r.acc <<= n
	r.n -= n
	return v
}

// wide takes n bits, at most 64.
func (r *bitReader) wide(n uint) uint64 {
	if n <= 32 {
		return r.read(n)
	}
	high := r.read(n - 32)
	return high<<32 | r.read(32)
}

// golomb reads an exponential Golomb code of an order of at least 1.
func (r *bitReader) golomb(order uint) uint64 {
	r.fill()
	zeros := uint(bits.LeadingZeros64(r.acc))
	if zeros > 55 { // rare: take them one by one
		zeros = 0
		for r.read(1) == 0 {
			if zeros++; zeros > 63 {
				r.pos = len(r.b) + 64 // no number is so long: this is past the end
				return 0
			}
		}
		return ((1<<zeros|r.wide(zeros))-1)<<order | r.wide(order)
	}
	r.acc <<= zeros
	r.n -= zeros
	high := r.wide(zeros + 1)
	return (high-1)<<order | r.wide(order)
}

func (r *bitReader) signed(order uint) int64 { return unzigzag(r.golomb(order)) }

// over reports whether more was read than there was.
func (r *bitReader) over() bool { return r.pos*8-int(r.n) > len(r.b)*8 }

// atEnd reports whether everything was read but for the zeros that fill the last byte.
func (r *bitReader) atEnd() bool {
	r.fill()
	left := len(r.b)*8 - (r.pos*8 - int(r.n))
	return left >= 0 && left < 8 && r.acc>>(63-uint(left))>>1 == 0
}
