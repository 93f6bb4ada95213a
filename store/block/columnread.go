package block

import (
	"encoding/binary"
	"math/bits"
)

// column reads len(x) numbers. Past the end of the bits it makes some up; see over.
func (r *bitReader) column(x []int64, order uint) {
	if len(x) == 0 {
		return
	}
	x[0] = r.signed(order)
	if len(x) == 1 {
		return
	}
	if r.read(1) == 0 {
		for i := range x {
			x[i] = x[0]
		}
		return
	}
	var p piece
	for from := 1; from < len(x); from += pieceSize {
		to := min(from+pieceSize, len(x))
		if r.read(1) == 1 {
			r.parameters(&p)
		}
		residuals := x[from:to]
		switch p.mode {
		case flat:
			for i := range residuals {
				residuals[i] = p.centre
			}
		case around:
			r.around(residuals, p.k, p.centre)
		case above:
			r.above(residuals, p.k, p.centre)
		case runs:
			r.runs(residuals, p.j, p.k, p.centre)
		}
		restore(p.predictor, x[:to], from)
	}
}

// parameters reads how a piece is coded; p is the piece before.
func (r *bitReader) parameters(p *piece) {
	p.predictor = int(r.read(predictorBits))
	p.mode = int(r.read(modeBits))
	if r.read(1) == 1 {
		p.centre += r.signed(centreOrder)
	}
	p.j, p.k = 0, 0
	if p.mode == runs {
		p.j = uint(r.read(jBits))
	}
	if p.mode != flat {
		p.k = uint(r.read(kBits))
	}
}

func (r *bitReader) around(x []int64, k uint, centre int64) {
	r.rices(x, k)
	for i, u := range x {
		x[i] = unzigzag(uint64(u)) + centre
	}
}

func (r *bitReader) above(x []int64, k uint, centre int64) {
	r.rices(x, k)
	for i := range x {
		x[i] += centre
	}
}

// rices reads len(x) Rice codes. It is rice in a loop, with the reader's state at hand; the masks tell the compiler
// that no shift is longer than a word.
func (r *bitReader) rices(x []int64, k uint) {
	b, pos, acc, n := r.b, r.pos, r.acc, r.n
	for i := range x {
		if n < longestUnary+1+k {
			if uint(pos)+8 <= uint(len(b)) {
				acc |= binary.BigEndian.Uint64(b[pos:pos+8]) >> (n & 63)
				pos += int((63 - n) >> 3)
				n |= 56
			} else {
				r.pos, r.acc, r.n = pos, acc, n
				r.fillSlowly()
				pos, acc, n = r.pos, r.acc, r.n
			}
		}
		q := uint(bits.LeadingZeros64(acc))
		if q >= longestUnary {
			r.pos, r.acc, r.n = pos, acc, n
			x[i] = int64(r.rice(k))
			pos, acc, n = r.pos, r.acc, r.n
			continue
		}
		length := q + 1 + k
		x[i] = int64(uint64(q)<<(k&63) | acc<<((q+1)&63)>>1>>((63-k)&63))
		acc <<= length & 63
		n -= length
	}
	r.pos, r.acc, r.n = pos, acc, n
}

func (r *bitReader) runs(x []int64, j, k uint, centre int64) {
	for i := 0; i < len(x); i++ {
		run := r.rice(j)
		for ; run > 0 && i < len(x); run-- {
			x[i] = centre
			i++
		}
		if i < len(x) {
			x[i] = unzigzag(r.rice(k)+1) + centre
		}
	}
}

// rice reads one Rice code.
func (r *bitReader) rice(k uint) uint64 {
	if r.n < longestUnary+1+k {
		r.fill()
	}
	q := uint(bits.LeadingZeros64(r.acc))
	if q < longestUnary {
		u := uint64(q)<<(k&63) | r.acc<<((q+1)&63)>>1>>((63-k)&63)
		r.acc <<= (q + 1 + k) & 63
		r.n -= q + 1 + k
		return u
	}
	r.read(longestUnary)
	return r.wide(uint(r.read(6)) + 1)
}

// restore turns x[from:] from residuals into numbers.
func restore(p int, x []int64, from int) {
	switch p {
	case byNothing:
		return
	case byLast:
		last := x[from-1]
		for i := from; i < len(x); i++ {
			last += x[i]
			x[i] = last
		}
		return
	case byLine:
		if from == 1 && from < len(x) {
			x[from] += x[from-1]
			from++
		}
		if from >= len(x) {
			return
		}
		last, step := x[from-1], x[from-1]-x[from-2]
		for i := from; i < len(x); i++ {
			step += x[i]
			last += step
			x[i] = last
		}
		return
	}
	for i := from; i < len(x); i++ {
		x[i] += predict(p, x, i)
	}
}
