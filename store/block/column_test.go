package block

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Exponential Golomb codes: those of order 0 are ITU-T H.264, table 9-1, shifted to the higher orders as in the
// general rule (v>>order as order 0, then the low bits).
func TestPublishedGolombCodes(t *testing.T) {
	for _, row := range []struct {
		v     uint64
		order uint
		want  string
	}{
		{0, 1, "10"}, {1, 1, "11"}, {2, 1, "0100"}, {3, 1, "0101"}, {4, 1, "0110"}, {5, 1, "0111"},
		{0, 2, "100"}, {3, 2, "111"}, {4, 2, "01000"}, {5, 2, "01001"},
		{0, 3, "1000"}, {3, 3, "1011"}, {4, 3, "1100"},
		{2 * 226, 1, "0000000" + "11100011" + "0"}, // 226 of order 0 is 000000011100011
	} {
		assert.Equal(t, row.want, g(row.v, row.order), "%d of order %d", row.v, row.order)
		r := bitReader{b: fromBits(row.want)}
		assert.Equal(t, row.v, r.golomb(row.order), "%d of order %d", row.v, row.order)
	}
}

// The Rice code of RFC 9639, section 9.2.7: the quotient in zeros, a one, and so many bits of the remainder as the
// parameter says.
func TestRiceCodes(t *testing.T) {
	for _, row := range []struct {
		u    uint64
		k    uint
		want string
	}{
		{0, 0, "1"}, {3, 0, "0001"}, {7, 3, "1111"}, {45, 3, "000001" + "101"}, {23, 0, "00000000000000000000000" + "1"},
		{24, 0, "000000000000000000000000" + "000100" + "11000"}, // beyond the longest quotient: its length, and itself
	} {
		var w columnWriter
		w.rice(row.u, row.k)
		n := len(w.b)*8 + int(w.n)
		assert.Equal(t, len(row.want), n)
		assert.Equal(t, fromBits(row.want), w.finish(), "%d by %d", row.u, row.k)
		assert.Equal(t, len(row.want), riceBits([]uint64{row.u}, row.k))
		r := bitReader{b: fromBits(row.want)}
		assert.Equal(t, row.u, r.rice(row.k), "%d by %d", row.u, row.k)
	}
}

func columnBack(t testing.TB, x []int64, order uint) (back []int64, n int) {
	t.Helper()
	var w columnWriter
	w.column(x, order)
	n = len(w.b)*8 + int(w.n)
	r := bitReader{b: w.finish()}
	back = make([]int64, len(x))
	r.column(back, order)
	require.True(t, r.atEnd())
	require.False(t, r.over())
	return back, n
}

func TestColumns(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	make1000 := func(f func(i int) int64) (x []int64) {
		for i := range 1000 {
			x = append(x, f(i))
		}
		return x
	}
	for _, row := range []struct {
		name string
		x    []int64
		most float64 // bits a number
	}{
		{"one number", []int64{-5}, 16},
		{"two numbers", []int64{7, -1 << 63}, 200},
		{"a piece and one more", make1000(func(i int) int64 { return int64(i) })[:pieceSize+2], 0.5},
		{"all the same", make1000(func(int) int64 { return 123456 }), 0.1},
		{"a straight line", make1000(func(i int) int64 { return int64(i) * 1000 }), 0.1},
		{"now and then something else", make1000(func(i int) int64 { return int64(i % 100 / 99) }), 0.3},
		// Gaussian noise of σ has an entropy of log2(σ·sqrt(2πe)) bits: 5.37 for 10.
		{"noise around a level", make1000(func(int) int64 { return 5000 + int64(math.Round(r.NormFloat64()*10)) }), 5.37 * 1.06},
		// An exponential distribution of mean m has one of log2(e·m) bits: 6.76 for 40.
		{"waiting times", make1000(func(int) int64 { return 1_000_000 + int64(r.ExpFloat64()*40) }), 6.76 * 1.06},
		{"numbers of all sizes", make1000(func(i int) int64 { return int64(r.Uint64()) >> (i % 64) }), 100},
		{"from one end to the other", make1000(func(i int) int64 { return math.MinInt64 + int64(i%2)*-1 }), 200},
	} {
		t.Run(row.name, func(t *testing.T) {
			for _, order := range []uint{1, 4, 20} {
				back, n := columnBack(t, row.x, order)
				assert.Equal(t, row.x, back)
				assert.LessOrEqual(t, float64(n)/float64(len(row.x)), row.most+20/float64(len(row.x)))
			}
		})
	}
}

func FuzzColumn(f *testing.F) {
	f.Add([]byte{1, 2, 3}, uint8(1))
	f.Add(make([]byte, 300), uint8(200))
	f.Fuzz(func(t *testing.T, b []byte, wide uint8) {
		var x []int64
		v := int64(0)
		for _, c := range b { // numbers that go on from each other, and some that do not
			if c == wide {
				v = int64(c) * 0x0123456789ABCDEF
			} else {
				v += int64(int8(c))
			}
			x = append(x, v)
		}
		back, _ := columnBack(t, x, 4)
		if len(x) > 0 {
			require.Equal(t, x, back)
		}
	})
}
