package block

import (
	"encoding/binary"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// byHand1 is a block of version 1 written down from the drawing in version1.go.
func byHand1() ([]byte, []Sample) {
	b := []byte{
		'u', 'd', 'B', 'k', 1, 0, 0, 0,
		0, 0, 0, 0, // length, below
		0, 0, 0, 3, // readings
		0, 0, 0, 0, 0, 0, 0, 12, // session
		0, 0, 0, 0, 0, 0, 0, 1, // sequence
		0, 0, 0, 0, 0, 0, 0x03, 0xE8, // first instant, 1 000 µs
		0, 0, 0, 0, 0, 0, 0x3E, 0x80, // last instant, 16 000 µs
		0, 0, 0x03, 0xE8, // tick, 1 000 ns
		5, 0x01, 0x00, 0xE0, 0xD4, 0x03, // runs: 0·2+1 and 2−2; 15 000 ticks on: zigzag 30 000, ·2 = 60 000
		6, 2, 5, 9, 0, 1, 0, // channels: two, 5 and 9; readings of 5, 9, 5
		2, 0x14, 0x07, // halves: 10 ticks; then 4 fewer
		5, 0xF0, 0x6B, 0x02, 0xF1, 0x6B, // codes: 6904; 1; −6905 from 6904
		4, 0, 1, 2, 0, // flags: two of 0, one of 2
	}
	b = append(b, 0, 0, 0, 0)
	return reseal(b), []Sample{
		{At: 1000 * us, Half: 10 * us, Channel: 5, Code: 6904},
		{At: 1000 * us, Half: 10 * us, Channel: 9, Code: 1},
		{At: 16000 * us, Half: 6 * us, Channel: 5, Code: -1, Flags: 2},
	}
}

func TestVersion1AsDrawn(t *testing.T) {
	b, want := byHand1()
	h, got, err := Decode(b, nil)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.Equal(t, Header{Version: 1, Session: 12, Sequence: 1, Tick: us, First: ms, Last: 16 * ms, Count: 3, Length: len(b)}, h)
}

func TestHostileBlocksOfVersion1AreRefusedCheaply(t *testing.T) {
	huge := binary.AppendUvarint(nil, math.MaxUint64)
	body := func(columns ...[]byte) func([]byte) []byte {
		return func(b []byte) []byte {
			b = b[:headerSize1:headerSize1]
			for _, c := range columns {
				b = append(binary.AppendUvarint(b, uint64(len(c))), c...)
			}
			return append(b, 0, 0, 0, 0)
		}
	}
	runs, channels := []byte{1, 0, 0xE0, 0xD4, 0x03}, []byte{2, 5, 9, 0, 1, 0}
	halves, codes, flags := []byte{0x14, 0x07}, []byte{0xF0, 0x6B, 0x02, 0xF1, 0x6B}, []byte{0, 1, 2, 0}
	for _, row := range []struct {
		name   string
		change func(b []byte) []byte
		want   error
		text   string
	}{
		{"nothing changed", body(runs, channels, halves, codes, flags), nil, ""},
		{"a count of two thousand million", func(b []byte) []byte { binary.BigEndian.PutUint32(b[12:], math.MaxInt32); return b }, ErrDamaged, "cannot hold 2147483647"},
		{"a count with the top bit", func(b []byte) []byte { binary.BigEndian.PutUint32(b[12:], 1<<31|3); return b }, ErrDamaged, "cannot hold"},
		{"no reading", func(b []byte) []byte { b[15] = 0; return b }, ErrDamaged, "cannot hold 0"},
		{"a count one too great", func(b []byte) []byte { b[15] = 4; return b }, ErrDamaged, "reading 3"},
		{"a count one too small", func(b []byte) []byte { b[15] = 2; return b }, ErrDamaged, ""},
		{"a tick of nothing", func(b []byte) []byte { clear(b[48:52]); return b }, ErrDamaged, "tick"},
		{"a first instant far away", func(b []byte) []byte { b[32] = 0x7F; return b }, ErrDamaged, "out of range"},
		{"a last instant that is none", func(b []byte) []byte { b[47]++; return b }, ErrDamaged, "last instant"},
		{"a column as long as the world", func(b []byte) []byte { return append(append(b[:headerSize1:headerSize1], huge...), 0, 0, 0, 0, 0) }, ErrDamaged, "longer than the block"},
		{"a sixth column", body(runs, channels, halves, codes, flags, nil), ErrDamaged, "follow the last column"},
		{"as many channels as the world has", body(runs, huge, halves, codes, flags), ErrDamaged, "channels"},
		{"a channel above 65535", body(runs, []byte{2, 5, 0x80, 0x80, 0x04, 0, 1, 0}, halves, codes, flags), ErrDamaged, "channel 1"},
		{"a reading of no channel", body(runs, []byte{2, 5, 9, 0, 2, 0}, halves, codes, flags), ErrDamaged, "no channel"},
		{"a run beyond the block", body([]byte{1, 2}, channels, halves, codes, flags), ErrDamaged, "run that begins"},
		{"a run of everything", body(append([]byte{1}, huge...), channels, halves, codes, flags), ErrDamaged, "run that begins"},
		{"a first run that is not at the first instant", body([]byte{5, 0, 0xE0, 0xD4, 0x03}, channels, halves, codes, flags), ErrDamaged, "instant of reading 0"},
		{"a step out of time", body(append([]byte{1, 0}, binary.AppendUvarint(nil, math.MaxUint64-1)...), channels, halves, codes, flags), ErrDamaged, "instant of reading 2"},
		{"a bound below nothing", body(runs, channels, []byte{0x13, 0x07}, codes, flags), ErrDamaged, "half width"},
		{"a bound beyond everything", body(runs, channels, append(binary.AppendUvarint(nil, math.MaxUint64-1), 0), codes, flags), ErrDamaged, "half width"},
		{"a code too few", body(runs, channels, halves, codes[:3], flags), ErrDamaged, "no code"},
		{"a code too many", body(runs, channels, halves, append([]byte{0}, codes...), flags), ErrDamaged, "more than its readings"},
		{"flags of too many", body(runs, channels, halves, codes, []byte{0, 9}), ErrDamaged, "flags"},
		{"flags of too few", body(runs, channels, halves, codes, []byte{0, 1}), ErrDamaged, "flags"},
	} {
		t.Run(row.name, func(t *testing.T) {
			b, _ := byHand1()
			b = reseal(row.change(b))
			taken, err := measured(b)
			require.ErrorIs(t, err, row.want)
			if row.want != nil {
				assert.ErrorContains(t, err, row.text)
			}
			assert.Less(t, taken, uint64(1<<16), "memory taken for %d bytes", len(b))
		})
	}
}
