package block

import "math/bits"

// columnWriter writes columns. What it holds besides the bits is room to try out in.
type columnWriter struct {
	bitWriter
	residuals [predictors][pieceSize]int64
	sorted    [pieceSize]int64
	codes     [pieceSize]uint64
	lengths   [pieceSize]uint64
}

func (w *columnWriter) column(x []int64, order uint) {
	if len(x) == 0 {
		return
	}
	w.signed(x[0], order)
	if len(x) == 1 {
		return
	}
	same := true
	for _, v := range x {
		same = same && v == x[0]
	}
	w.write(b2u(!same), 1)
	if same {
		return
	}
	before := piece{mode: none}
	for from := 1; from < len(x); from += pieceSize {
		to := min(from+pieceSize, len(x))
		p := w.choose(x, from, to, before)
		w.put(p, w.residuals[p.predictor][:to-from], before)
		before = p
	}
}

// choose tries the two predictors that leave least, in all ways that may be best, and takes the shortest.
func (w *columnWriter) choose(x []int64, from, to int, before piece) piece {
	var left [predictors]uint64
	var middle [predictors]int64
	one, two := 0, 0
	for p := range predictors {
		w.leave(p, x, from, to)
		r := w.residuals[p][:to-from]
		middle[p] = median(w.sorted[:copy(w.sorted[:], r)])
		for _, v := range r {
			left[p] += min(uint64(max(v, middle[p])-min(v, middle[p])), 1<<40)
		}
		switch {
		case p == 0:
		case left[p] < left[one]:
			one, two = p, one
		case two == one || left[p] < left[two]:
			two = p
		}
	}
	best := piece{bits: int(^uint(0) >> 1)}
	if before.mode != none {
		w.tryAgain(&best, before, w.residuals[before.predictor][:to-from])
	}
	for _, p := range []int{one, two} {
		w.tryAll(&best, p, middle[p], w.residuals[p][:to-from], before.centre)
	}
	return best
}

// tryAgain tries what was right for the piece before.
func (w *columnWriter) tryAgain(best *piece, before piece, r []int64) {
	for _, v := range r {
		if before.mode == flat && v != before.centre || before.mode == above && v < before.centre {
			return
		}
	}
	u, lengths := w.code(before, r)
	before.again = true
	before.bits = 1 + riceBits(u, before.k) + riceBits(lengths, before.j)
	*best = before
}

// leave computes what a predictor leaves of a piece.
func (w *columnWriter) leave(p int, x []int64, from, to int) {
	r := w.residuals[p][:to-from]
	i := 0
	for ; i < len(r) && from+i < 4; i++ {
		r[i] = x[from+i] - predict(p, x, from+i)
	}
	switch p {
	case byNothing:
		copy(r, x[from:to])
	case byLast:
		for ; i < len(r); i++ {
			r[i] = x[from+i] - x[from+i-1]
		}
	case byLine:
		for ; i < len(r); i++ {
			r[i] = x[from+i] - 2*x[from+i-1] + x[from+i-2]
		}
	default:
		for ; i < len(r); i++ {
			r[i] = x[from+i] - (x[from+i-1]+x[from+i-2]+x[from+i-3]+x[from+i-4])>>2
		}
	}
}

func (w *columnWriter) tryAll(best *piece, p int, middle int64, r []int64, before int64) {
	least, most, times := middle, middle, 0
	for _, v := range r {
		least, most = min(least, v), max(most, v)
		if v == middle {
			times++
		}
	}
	if least == most {
		w.try(best, piece{predictor: p, mode: flat, centre: least}, r, before)
		return
	}
	w.try(best, piece{predictor: p, mode: around, centre: middle}, r, before)
	w.try(best, piece{predictor: p, mode: above, centre: least}, r, before)
	if before < least && least-before < 64 {
		w.try(best, piece{predictor: p, mode: above, centre: before}, r, before)
	}
	if before != middle && before > least && before < most {
		w.try(best, piece{predictor: p, mode: around, centre: before}, r, before)
	}
	if times*4 >= len(r) {
		w.try(best, piece{predictor: p, mode: runs, centre: middle}, r, before)
	}
}

// median is the middle one of x, the upper one of two. It changes the order of x.
func median(x []int64) int64 {
	lo, hi, k := 0, len(x)-1, len(x)/2
	for lo < hi {
		pivot := x[lo+(hi-lo)/2]
		i, j := lo, hi
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return x[k]
		}
	}
	return x[k]
}

// try finds the parameters of one way, and keeps it if it is the shortest so far.
func (w *columnWriter) try(best *piece, p piece, r []int64, before int64) {
	p.bits = 1 + predictorBits + modeBits + 1
	if p.centre != before {
		p.bits += signedBits(p.centre-before, centreOrder)
	}
	u, lengths := w.code(p, r)
	if p.mode == runs {
		var n int
		p.j, n = bestRice(lengths, jBits)
		p.bits += jBits + n
	}
	if p.mode != flat {
		var n int
		p.k, n = bestRice(u, kBits)
		p.bits += kBits + n
	}
	if p.bits < best.bits {
		*best = p
	}
}

// code turns residuals into what is Rice coded, and in mode runs into the lengths that come between.
func (w *columnWriter) code(p piece, r []int64) (u, lengths []uint64) {
	u, lengths = w.codes[:0], w.lengths[:0]
	switch p.mode {
	case around:
		for _, v := range r {
			u = append(u, zigzag(v-p.centre))
		}
	case above:
		for _, v := range r {
			u = append(u, uint64(v-p.centre))
		}
	case runs:
		run := uint64(0)
		for _, v := range r {
			if v == p.centre {
				run++
				continue
			}
			u, lengths = append(u, zigzag(v-p.centre)-1), append(lengths, run)
			run = 0
		}
		if run > 0 {
			lengths = append(lengths, run)
		}
	}
	return u, lengths
}

// bestRice is the parameter, of so many bits, that codes u shortest, and what it takes.
func bestRice(u []uint64, parameterBits uint) (k uint, n int) {
	if len(u) == 0 {
		return 0, 0
	}
	sum := uint64(0)
	for _, v := range u {
		sum += min(v, 1<<40)
	}
	// From just above what the mean suggests downwards; the length has one minimum.
	k = min(1<<parameterBits-1, uint(bits.Len64(sum*11/(16*uint64(len(u))))))
	n = riceBits(u, k)
	for k > 0 {
		m := riceBits(u, k-1)
		if m > n {
			break
		}
		k, n = k-1, m
	}
	return k, n
}

func riceBits(u []uint64, k uint) (n int) {
	for _, v := range u {
		if q := v >> k; q < longestUnary {
			n += int(q) + 1 + int(k)
		} else {
			n += longestUnary + 6 + bits.Len64(v)
		}
	}
	return n
}

func (w *columnWriter) put(p piece, r []int64, before piece) {
	w.write(b2u(!p.again), 1)
	if !p.again {
		w.write(uint64(p.predictor), predictorBits)
		w.write(uint64(p.mode), modeBits)
		w.write(b2u(p.centre != before.centre), 1)
		if p.centre != before.centre {
			w.signed(p.centre-before.centre, centreOrder)
		}
		if p.mode == runs {
			w.write(uint64(p.j), jBits)
		}
		if p.mode != flat {
			w.write(uint64(p.k), kBits)
		}
	}
	u, lengths := w.code(p, r)
	for i, v := range u {
		if p.mode == runs {
			w.rice(lengths[i], p.j)
		}
		w.rice(v, p.k)
	}
	if len(lengths) > len(u) {
		w.rice(lengths[len(u)], p.j)
	}
}

func (w *columnWriter) rice(u uint64, k uint) {
	if q := u >> k; q < longestUnary {
		w.write(1, uint(q)+1)
		w.write(u, k)
		return
	}
	n := uint(bits.Len64(u))
	w.write(0, longestUnary)
	w.write(uint64(n-1), 6)
	w.wide(u, n)
}

func b2u(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}
