package iio

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Types as the kernel's Documentation/ABI/testing/sysfs-bus-iio and drivers have them, and numbers worked out by hand.
func TestScanType(t *testing.T) {
	for _, row := range []struct {
		text   string
		length int
		bytes  []byte
		want   int64
	}{
		{"le:s16/16>>0\n", 2, []byte{0x18, 0xFC}, -1000},
		{"be:s16/16>>0", 2, []byte{0xFC, 0x18}, -1000},
		{"le:s12/16>>4", 2, []byte{0x8F, 0xC1}, -1000}, // FC18 without its sign's copies is C18; the lowest four bits are junk
		{"le:u12/16>>0", 2, []byte{0xFF, 0xF7}, 0x7FF}, // the highest four bits are junk
		{"be:u10/16>>2", 2, []byte{0x0F, 0xFF}, 1023},
		{"le:u8/8", 1, []byte{200}, 200},
		{"le:s8/8>>0", 1, []byte{200}, -56},
		{"be:s24/32>>8", 4, []byte{0xFF, 0xFF, 0xFE, 0x55}, -2},
		{"le:s64/64>>0", 8, []byte{1, 0, 0, 0, 0, 0, 0, 0x80}, -0x7FFFFFFFFFFFFFFF},
		{"le:s16/16X4>>0", 8, []byte{7, 0, 0, 0, 0, 0, 0, 0}, 7},
	} {
		t.Run(row.text, func(t *testing.T) {
			typ, err := parseScanType(row.text)
			require.NoError(t, err)
			assert.Equal(t, row.length, typ.length())
			assert.Equal(t, row.want, typ.decode(row.bytes))
		})
	}
	for text, says := range map[string]string{
		"":               "does not begin with be: or le:",
		"s16/16>>0":      "does not begin with be: or le:",
		"xe:s16/16":      "does not begin with be: or le:",
		"le:":            "neither s nor u",
		"le:f32/32":      "neither s nor u",
		"le:s16":         "its storage is not",
		"le:s16/24":      "its storage is not",
		"le:s/16":        "its bits are no number",
		"le:s0/16":       "do not fit",
		"le:s12/16>>5":   "do not fit",
		"le:s16/16>>":    "its shift is no number",
		"le:s16/16>>-1":  "its shift is no number",
		"le:s16/16X0>>0": "its repeat is no number",
	} {
		_, err := parseScanType(text)
		assert.ErrorContains(t, err, says, "%q", text)
	}
}

func FuzzParseScanType(f *testing.F) {
	for _, text := range []string{"le:s16/16>>0\n", "be:u12/16X3>>4", "le:s64/64", "le:s12/16>>5", ":", "le:s1/8>>7"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		typ, err := parseScanType(text)
		if err != nil {
			return
		}
		for _, fill := range []byte{0, 0xFF, 0xA5} {
			b := make([]byte, 8)
			for i := range b {
				b[i] = fill
			}
			n := typ.decode(b)
			if typ.signed {
				least := int64(-1) << (typ.bits - 1)
				require.True(t, n >= least && n <= -(least+1), "%q gave %d", text, n)
			} else if typ.bits < 64 {
				require.True(t, n >= 0 && n < 1<<typ.bits, "%q gave %d", text, n)
			}
		}
	})
}

// Layouts by the rule of the kernel's iio_compute_scan_bytes: aligned to their own length, the whole to the largest.
func TestArrange(t *testing.T) {
	typ := func(text string) scanType {
		typ, err := parseScanType(text)
		require.NoError(t, err)
		return typ
	}
	s16, u16, s32, stamp := typ("le:s16/16>>0"), typ("le:u12/16>>0"), typ("le:s24/32>>0"), typ("le:s64/64>>0")
	for _, row := range []struct {
		name     string
		elements []element
		size     int
		at       map[string]int
	}{
		{"one of 16 bits with its timestamp, as an ADS1115", []element{{name: "voltage0", index: 4, typ: s16}, {name: timestamp, index: 8, typ: stamp}},
			16, map[string]int{"voltage0": 0, timestamp: 8}},
		{"one alone", []element{{name: "voltage0", typ: s16}}, 2, map[string]int{"voltage0": 0}},
		{"four and a timestamp", []element{{name: timestamp, index: 9, typ: stamp}, {name: "d", index: 3, typ: u16}, {name: "c", index: 2, typ: u16}, {name: "b", index: 1, typ: u16}, {name: "a", typ: u16}},
			16, map[string]int{"a": 0, "b": 2, "c": 4, "d": 6, timestamp: 8}},
		{"five and a timestamp", []element{{name: "a", typ: u16}, {name: "b", index: 1, typ: u16}, {name: "c", index: 2, typ: u16}, {name: "d", index: 3, typ: u16}, {name: "e", index: 4, typ: u16}, {name: timestamp, index: 5, typ: stamp}},
			24, map[string]int{"e": 8, timestamp: 16}},
		{"padded in between and behind", []element{{name: "a", typ: s16}, {name: "b", index: 1, typ: s32}, {name: "c", index: 2, typ: s16}},
			12, map[string]int{"a": 0, "b": 4, "c": 8}},
		{"a repeated one is aligned to all of it", []element{{name: "a", typ: s16}, {name: "q", index: 1, typ: typ("le:s16/16X4>>0")}},
			16, map[string]int{"a": 0, "q": 8}},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.size, arrange(row.elements))
			for _, e := range row.elements {
				if at, ok := row.at[e.name]; ok {
					assert.Equal(t, at, e.at, e.name)
				}
			}
		})
	}
}
