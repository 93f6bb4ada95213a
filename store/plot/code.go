package plot

import (
	"encoding/binary"
	"math"
	"strconv"
	"time"
)

// coder turns numbers into small integers and back: at a channel's decimals the number itself, counted in units of the
// last one, doubled; else the place in a list of the numbers that occurred, doubled, plus one. An engine computer's
// numbers have as many digits as they need, and there are few of them.
type coder struct {
	decimals int
	unit     float64 // 10 to the decimals
	list     []float64
	places   map[float64]int64 // of list; only while a session is read
}

// largest is how great a counted number may be: doubled, and its difference to another, it is still exact.
const largest = 1 << 50

func newCoder(decimals int) *coder {
	return &coder{decimals: decimals, unit: math.Pow10(max(decimals, 0)), places: make(map[float64]int64)}
}

// rounded counts x in units of the last decimal as the export rounds it. Where the product with the unit is so near to a
// tie that its own rounding could decide, the digits do.
func (c *coder) rounded(x float64) (n int64, ok bool) {
	y := x * c.unit
	if c.decimals < 0 || !(math.Abs(y) < largest) {
		return 0, false
	}
	whole := math.Floor(y)
	if off := y - whole - 0.5; math.Abs(off) > math.Abs(y)*0x1p-51 {
		return int64(math.Round(y)), true
	}
	text := strconv.AppendFloat(nil, x, 'f', c.decimals, 64)
	for _, d := range text {
		if d >= '0' && d <= '9' {
			n = n*10 + int64(d-'0')
		}
	}
	if text[0] == '-' {
		n = -n
	}
	return n, true
}

// shown is x as the export shows it, with its count where there is one.
func (c *coder) shown(x float64) (n int64, counted bool, shown float64) {
	if n, ok := c.rounded(x); ok {
		return n, true, float64(n) / c.unit
	}
	if c.decimals >= 0 {
		// Too great to be counted, and read back from the digits.
		if y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'f', c.decimals, 64), 64); err == nil {
			x = y
		}
	}
	if x == 0 {
		x = 0 // a zero has no sign: this is +0 also where x was -0
	}
	return 0, false, x
}

// code gives x's, and the number that it stands for.
func (c *coder) code(x float64) (code int64, shown float64) {
	n, counted, x := c.shown(x)
	if counted {
		return n << 1, x
	}
	place, ok := c.places[x]
	if !ok {
		place = int64(len(c.list))
		c.list = append(c.list, x)
		c.places[x] = place
	}
	return place<<1 | 1, x
}

func (c *coder) number(code int64) float64 {
	if code&1 == 0 {
		return float64(code>>1) / c.unit
	}
	return c.list[code>>1]
}

// micros is an instant as the export writes it, in whole microseconds.
func micros(d time.Duration) int64 { return d.Round(time.Microsecond).Microseconds() }

func seconds(us int64) float64 { return float64(us) / 1e6 }

func appendSigned(b []byte, x int64) []byte { return binary.AppendUvarint(b, zigzag(x)) }

func zigzag(x int64) uint64 { return uint64(x<<1) ^ uint64(x>>63) }

func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// uvarint reads what binary.AppendUvarint wrote, one byte or two quickly. What is read was written here: it is well formed.
func uvarint(b []byte) (uint64, []byte) {
	if b[0] < 0x80 {
		return uint64(b[0]), b[1:]
	}
	if b[1] < 0x80 {
		return uint64(b[0]&0x7F) | uint64(b[1])<<7, b[2:]
	}
	u, n := binary.Uvarint(b)
	return u, b[n:]
}
