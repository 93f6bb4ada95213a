package block_test

import (
	"math"
	"math/bits"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/store/block"
)

// xorCoder measures what a chunk of (instant, float) takes in the coding of "Gorilla: a fast, scalable, in-memory time
// series database" (PVLDB 8(12), 2015, section 4.1): an instant as the change of its distance to the one before, in
// one of four widths; a value as the exclusive or with the one before. It counts bits, which is all a comparison needs.
type xorCoder struct {
	widths        [4]uint // of an instant's change, behind 2, 3, 4 and 4 bits of prefix
	bits          int
	count         int
	at, delta     int64
	value         uint64
	leading, kept int // of the exclusive or written last with a window of its own
}

// The widths of the paper, for instants in seconds, and those that its descendants use for milliseconds.
var (
	paperWidths = [4]uint{7, 9, 12, 32}
	wideWidths  = [4]uint{14, 17, 20, 64}
)

func (c *xorCoder) add(at int64, value float64) {
	v := math.Float64bits(value)
	switch c.count {
	case 0:
		c.bits += 128
	default:
		c.addInstant(at)
		c.addValue(v)
	}
	c.count++
	c.at, c.value = at, v
}

func (c *xorCoder) addInstant(at int64) {
	delta := at - c.at
	change := delta - c.delta
	c.delta = delta
	if change == 0 {
		c.bits++
		return
	}
	for i, w := range c.widths {
		if half := int64(1) << (w - 1); i == len(c.widths)-1 || change > -half && change <= half {
			c.bits += []int{2, 3, 4, 4}[i] + int(w)
			return
		}
	}
}

func (c *xorCoder) addValue(v uint64) {
	x := v ^ c.value
	if x == 0 {
		c.bits++
		return
	}
	leading, trailing := min(31, bits.LeadingZeros64(x)), bits.TrailingZeros64(x)
	if c.kept > 0 && leading >= c.leading && trailing >= 64-c.leading-c.kept {
		c.bits += 2 + c.kept
		return
	}
	c.leading, c.kept = leading, 64-leading-trailing
	c.bits += 2 + 5 + 6 + c.kept
}

// The paper's figure 5 shows 12, 24, 15, 12 and 35 with the leading zeros and the meaningful bits of each exclusive or
// (from memory; the exclusive ors themselves are IEEE 754's).
func TestXORCoderAsPublished(t *testing.T) {
	for _, row := range []struct {
		before, value   float64
		xor             uint64
		leading, length int
	}{
		{12, 24, 0x0010000000000000, 11, 1},
		{24, 15, 0x0016000000000000, 11, 4},
		{15, 12, 0x0006000000000000, 13, 2},
		{12, 35, 0x0069800000000000, 9, 8},
	} {
		x := math.Float64bits(row.before) ^ math.Float64bits(row.value)
		assert.Equal(t, row.xor, x)
		c := xorCoder{widths: paperWidths}
		c.add(0, row.before)
		c.add(60, row.value)
		assert.Equal(t, row.leading, c.leading)
		assert.Equal(t, row.length, c.kept)
		assert.Equal(t, 128+2+7+2+5+6+row.length, c.bits, "a distance of 60 s takes the shortest width")
		before := c.bits
		c.add(120, row.value)
		assert.Equal(t, before+1+1, c.bits, "the same distance and the same value take a bit each")
	}
}

// xorBytes is what all channels' integer codes take, one chunk a channel, which is the best for this coding.
func xorBytes(samples []block.Sample, tick time.Duration, widths [4]uint) int {
	chunks := make(map[uint16]*xorCoder)
	for _, s := range samples {
		c := chunks[s.Channel]
		if c == nil {
			c = &xorCoder{widths: widths}
			chunks[s.Channel] = c
		}
		c.add(int64(s.At.Round(tick)/tick), float64(s.Code))
	}
	n := 0
	for _, c := range chunks {
		n += (c.bits + 7) / 8
	}
	return n
}
