package block

import (
	"encoding/binary"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// measured decodes and tells how much memory that took.
func measured(b []byte) (taken uint64, err error) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, _, err = Decode(b, nil)
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc, err
}

// g is a Golomb code and sg that of a zigzag, as ones and zeros.
func g(v uint64, order uint) string {
	var w bitWriter
	w.golomb(v, order)
	n := len(w.b)*8 + int(w.n)
	text := ""
	for _, x := range w.finish() {
		text += fmt.Sprintf("%08b", x)
	}
	return text[:n]
}

func sg(v int64, order uint) string { return g(zigzag(v), order) }

func TestHostileBlocksAreRefusedCheaply(t *testing.T) {
	whole := []string{handChannels, handRequests, handSizes, handSteps, handBounds, handRanks, handCodes5, handCodes9, handFlags}
	// with is the block by hand with one part changed.
	with := func(part int, bits string) []byte {
		parts := slices.Clone(whole)
		parts[part] = bits
		return seal(2, append(slices.Clone(handHeader), fromBits(parts...)...))
	}
	header := func(h ...byte) []byte { return seal(2, append(h, fromBits(whole...)...)) }
	huge := binary.AppendUvarint(nil, math.MaxUint64)
	long := func(at int, v uint64) []byte { // the header with its count, first or last instant changed
		fields := []uint64{12, 1, 100_000, 3, 20, 150}
		fields[at] = v
		var h []byte
		for _, f := range fields {
			h = binary.AppendUvarint(h, f)
		}
		return header(h...)
	}
	const (
		same  = "0"                           // the others are as the first
		zeros = "1" + "1" + "00" + "00" + "0" // the others are 0
		all   = "1" + "1" + "00" + "00" + "1" // the others are all what follows
	)
	grid := func(n uint64, base uint64, step uint64, rest ...string) []byte {
		bits := slices.Concat([]string{g(0, 3), g(5, 1), "1", g(n-1, 8), g(base, 8), g(step, 20)}, rest)
		return seal(2, append([]byte{12, 1, 0xA0, 0x8D, 0x06, 3, 20, 0x96, 0x01}, fromBits(bits...)...))
	}
	for _, row := range []struct {
		name string
		b    []byte
		want error
		text string
	}{
		{"nothing changed", with(0, handChannels), nil, ""},
		{"a newer version", seal(3, append(slices.Clone(handHeader), fromBits(whole...)...)), ErrVersion, "this program reads versions 1 to 2"},
		{"no version", seal(0, append(slices.Clone(handHeader), fromBits(whole...)...)), ErrVersion, "version 0"},
		{"no header", seal(2, nil), ErrDamaged, "header is cut short"},
		{"a header of endless numbers", seal(2, slices.Repeat([]byte{0xFF}, 200)), ErrDamaged, "header is cut short"},
		{"no readings", long(3, 0), ErrDamaged, "cannot hold 0 readings"},
		{"more readings than a block takes", long(3, MaxSamples+1), ErrDamaged, "cannot hold 262145 readings"},
		{"as many as a block takes", long(3, MaxSamples), ErrDamaged, ""},
		{"all readings there are", header(append(append([]byte{12, 1, 1}, huge...), 20, 1)...), ErrDamaged, "cannot hold"},
		{"a tick of nothing", long(2, 0), ErrDamaged, "tick is 0"},
		{"a tick of an hour", long(2, 3600e9), ErrDamaged, "tick is 3600000000000"},
		{"a first instant of another century", long(4, math.MaxUint64), ErrDamaged, "instants are out of range"},
		{"a last instant of another century", long(5, math.MaxUint64), ErrDamaged, "instants are out of range"},
		{"a count one too great", long(3, 4), ErrDamaged, ""},
		{"a count one too small", long(3, 2), ErrDamaged, ""},
		{"a last instant that is none", long(5, 151), ErrDamaged, "last instant"},
		{"a first instant later than a reading", long(5, 149), ErrDamaged, "instant of request 1"},
		{"nothing behind the header", seal(2, handHeader), ErrDamaged, ""},
		{"more channels than readings", with(0, g(3, 3)+"0111"+"0"+"0101"+"0"), ErrDamaged, "4 channels"},
		{"as many channels as the world has", with(0, g(math.MaxUint64, 3)), ErrDamaged, "channels"},
		{"a channel above 65535", with(0, "1001"+g(65535, 1)+"0"+g(0, 1)+"0"), ErrDamaged, "no number"},
		{"a channel beyond everything", with(0, "1001"+g(math.MaxUint64, 1)+"0"), ErrDamaged, "no number"},
		{"more requests than readings", with(1, g(3, 8)), ErrDamaged, "of 4 requests"},
		{"a request of less than nothing", with(2, sg(-2, 1)+all+sg(3, 4)), ErrDamaged, "request 0 has no size"},
		{"a request of more than there is", with(2, sg(9, 1)+zeros), ErrDamaged, "request 0 has no size"},
		{"requests of less than there is", with(2, sg(0, 1)+same), ErrDamaged, "2 readings instead of 3"},
		{"a first request that is late", with(3, sg(1, 8)+all+sg(149, 4)), ErrDamaged, "first or its last instant"},
		{"a step back", with(3, sg(-1, 8)+all+sg(151, 4)), ErrDamaged, "instant of request 0"},
		{"a step out of time", with(3, sg(0, 8)+all+sg(math.MaxInt64, 4)), ErrDamaged, "instant of request 1"},
		{"a bound below nothing", with(4, sg(-1, 4)+same), ErrDamaged, "half width of request 0"},
		{"a bound beyond everything", with(4, sg(400, 4)+zeros), ErrDamaged, "half width of request 0"},
		{"a bound that is no place", with(4, sg(math.MaxInt64, 4)+same), ErrDamaged, "half width of request 0"},
		{"a guess of a channel that is not there", with(5, sg(0, 2)+same), ErrDamaged, "reading 2 has no channel"},
		{"a channel that is not there", with(5, sg(4, 2)+same), ErrDamaged, "reading 0 has no channel"},
		{"a channel below nothing", with(5, sg(-1, 2)+same), ErrDamaged, "reading 0 has no channel"},
		{"flags of too much", with(8, sg(256, 1)+same), ErrDamaged, "flags of reading 0"},
		{"flags below nothing", with(8, sg(-1, 1)+same), ErrDamaged, "flags of reading 0"},
		{"flags that are not there", with(8, ""), ErrDamaged, "ends before"},
		{"something behind the flags", with(8, handFlags+"00000000"), ErrDamaged, "or behind them"},
		{"ones in the filling", with(8, handFlags+strings.Repeat("1", 3)), ErrDamaged, "or behind them"},
		{"a Rice code without an end", with(5, "100"+"1"+"1"+"11"+"10"+"0"+"00000"+strings.Repeat("0", 200)), ErrDamaged, ""},
		{"a Golomb code without an end", with(6, strings.Repeat("0", 200)), ErrDamaged, ""},
		{"a grid of more than there is", grid(4, 0, 75<<16), ErrDamaged, "more readings than there are"},
		{"a grid that leaves some over", grid(2, 0, 75<<16), ErrDamaged, "1 readings are left for 0 channels"},
		{"a grid from beyond the end", grid(3, 151, 75<<16), ErrDamaged, "begins out of range"},
		{"a grid that steps beyond the end", grid(3, 0, 76<<16, sg(0, 1), same, sg(0, 4), same, sg(0, 4), same, sg(0, 6), same, sg(0, 1), same), ErrDamaged, "instant of reading 2"},
		{"a grid that steps back", grid(3, 0, 75<<16, sg(0, 1), all+sg(-2, 4), sg(0, 4), same, sg(0, 4), same, sg(0, 6), same, sg(0, 1), same), ErrDamaged, "instant of reading 2"},
		{"a grid with a step of everything", grid(3, 0, math.MaxUint64, sg(math.MaxInt64, 1), same, sg(0, 4), same, sg(0, 4), same, sg(0, 6), same, sg(0, 1), same), ErrDamaged, "instant of reading"},
		{"a grid as it should be", grid(3, 0, 75<<16, sg(0, 1), same, sg(0, 4), same, sg(0, 4), same, sg(0, 6), same, sg(0, 1), same), nil, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			taken, err := measured(row.b)
			require.ErrorIs(t, err, row.want)
			if row.want != nil {
				assert.ErrorContains(t, err, row.text)
			}
			assert.Less(t, taken, uint64(64<<20), "memory taken for %d bytes", len(row.b))
		})
	}
}
