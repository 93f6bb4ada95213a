package block

// A column is numbers of one kind. The first is a signed Golomb code, of an order that belongs to the kind. If there
// are others, one bit follows: 0 if all of them are as the first, and nothing else; 1 if they follow in pieces of
// pieceSize, the last one shorter, each coded as suits it best:
//
//	bits  what
//	   1  0 if predictor, mode, centre, j and k are those of the piece before (the first piece: 1)
//	   2  predictor: what the numbers before say of the next; the difference is its residual
//	   2  mode
//	   1  whether the piece has a centre of its own; if not it has that of the piece before, at first 0
//	   .  if it has: its difference to the centre before, a signed Golomb code of order centreOrder
//	   3  in mode runs: j
//	   5  in any mode but flat: k
//	   .  in mode flat      nothing: all residuals are the centre
//	              around    for each residual a Rice code of parameter k: the zigzag of it less the centre
//	              above     for each residual a Rice code of parameter k: it less the centre
//	              runs      in turns: a Rice code of parameter j for how many residuals that are the centre come
//	                        next; then, unless they were the last, a Rice code of parameter k for the residual that
//	                        is not: the zigzag of it less the centre, less 1
//
// A Rice code of parameter k for u is u>>k zeros, a one, and the k low bits of u. From longestUnary zeros on it is
// longestUnary zeros, 6 bits for the length of u in bits, less 1, and u in so many bits.
const (
	pieceSize    = 128
	centreOrder  = 4
	longestUnary = 24

	predictorBits = 2
	modeBits      = 2
	kBits         = 5
	jBits         = 3
)

// The modes of a piece.
const (
	flat = iota
	around
	above
	runs

	none = -1 // there is no piece before
)

// The predictors. All arithmetic is modulo 2^64. Where fewer numbers came before than a predictor needs, byLine gives
// way to byLast, and byMean to the mean of two or to byLast.
const (
	byNothing  = iota // 0
	byLast            // the number before
	byLine            // the line through the two before
	byMean            // the mean of the four before, rounded down
	predictors        // how many there are
)

// predict is what a predictor says of x[i], i at least 1.
func predict(p int, x []int64, i int) int64 {
	switch {
	case p == byNothing:
		return 0
	case p == byLast || i == 1:
		return x[i-1]
	case p == byLine:
		return 2*x[i-1] - x[i-2]
	case i < 4:
		return (x[i-1] + x[i-2]) >> 1
	}
	return (x[i-1] + x[i-2] + x[i-3] + x[i-4]) >> 2
}

// piece is how a piece is coded.
type piece struct {
	predictor, mode int
	centre          int64
	k, j            uint
	again           bool // as the piece before
	bits            int  // what it takes
}
