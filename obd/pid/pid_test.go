package pid

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// The ranges stand in the table by hand, from the standard's published tables; the layouts must reach exactly them.
func TestRangesAgreeWithLayouts(t *testing.T) {
	published := map[string]string{
		"FUEL_RATE":  "5E is printed with 3212.75 (raw FAFF) as its end",
		"LOAD_ABS":   "43 is printed rounded",
		"FUELSYS1":   "one bit at a time",
		"FUELSYS2":   "one bit at a time",
		"AIR_STAT":   "one bit at a time",
		"OBDSUP":     "0 is not used",
		"FUEL_TYP":   "0 is not used",
		"O2S11_PCT":  "FFFF is 100.006",
		"O2S12_PCT":  "FFFF is 100.006",
		"O2S21_PCT":  "FFFF is 100.006",
		"O2S22_PCT":  "FFFF is 100.006",
		"VFUEL_RATE": "",
	}
	for _, p := range All() {
		for _, s := range p.Signals {
			if published[s.Acronym] != "" {
				continue
			}
			l := s.layout
			lowest, highest := uint32(0), uint32(1)<<(8*l.bytes-1)-1
			highest = highest<<1 | 1
			if l.width > 0 {
				highest = 1<<l.width - 1
			}
			if l.twos {
				lowest, highest = 0x8000, 0x7FFF
			}
			assert.InDelta(t, s.Min, l.number(lowest), 1e-9, "%s %s", p.PID, s.Acronym)
			assert.InDelta(t, s.Max, l.number(highest), 1e-9+math.Abs(s.Max)*1e-9, "%s %s", p.PID, s.Acronym)
		}
	}
}

func TestTableIsWellFormed(t *testing.T) {
	signals := 0
	for i, p := range All() {
		if i > 0 {
			require.Greater(t, p.PID, All()[i-1].PID)
		}
		require.NotEmpty(t, p.Name)
		n, ok := Width(p.PID)
		require.True(t, ok)
		require.Equal(t, p.Bytes, n)
		seen := map[string]bool{}
		for j, s := range p.Signals {
			signals++
			require.NotEmpty(t, s.Name)
			require.False(t, seen[s.Acronym], "%s twice in %s", s.Acronym, p.PID)
			seen[s.Acronym] = true
			if p.Optional(j) {
				require.True(t, isTrim(p.PID) && j == 1, "%s", p.PID)
			}
			require.LessOrEqual(t, s.layout.at+s.layout.bytes, p.Bytes+1, "%s %s", p.PID, s.Acronym)
		}
	}
	assert.Len(t, All(), 117, "parameters of the reference list")
	assert.Equal(t, 188, signals, "signals of the reference list")
}

func TestByAcronym(t *testing.T) {
	for _, tt := range []struct {
		acronym string
		pid     obd.PID
		index   int
		found   bool
	}{
		{"RPM", 0x0C, 0, true},
		{"SHRTFT_14", 0x17, 1, true},
		{"FRP", 0x22, 0, true}, // also 23 and 59
		{"LAMBDA22", 0x29, 0, true},
		{"GEAR_RAT", 0xA4, 1, true},
		{"rpm", 0, 0, false},
	} {
		p, i, ok := ByAcronym(tt.acronym)
		require.Equal(t, tt.found, ok, tt.acronym)
		assert.Equal(t, tt.pid, p.PID, tt.acronym)
		assert.Equal(t, tt.index, i, tt.acronym)
	}
}

// The map of sensors: SAE J1699-3 as in the standard's tables of 13 and 1D.
func TestSensorNumberingFollows13And1D(t *testing.T) {
	var two, four Context
	two.Note(0x13, []byte{0x03})
	four.Note(0x1D, []byte{0x57})
	require.True(t, two.LocationKnown && four.LocationKnown && four.Banks4 && !two.Banks4)
	for _, tt := range []struct {
		pid       obd.PID
		index     int
		two, four string
	}{
		{0x14, 0, "O2S11", "O2S11"}, {0x16, 1, "SHRTFT_13", "SHRTFT_21"}, {0x18, 0, "O2S21", "O2S31"},
		{0x1B, 1, "SHRTFT_24", "SHRTFT_42"}, {0x25, 0, "LAMBDA12", "LAMBDA12"}, {0x26, 0, "LAMBDA13", "LAMBDA21"},
		{0x2A, 1, "O2S23", "O2S41"}, {0x34, 0, "LAMBDA11", "LAMBDA11"}, {0x38, 0, "LAMBDA21", "LAMBDA31"},
		{0x3B, 1, "O2S24", "O2S42"}, {0x3C, 0, "CATEMP11", "CATEMP11"}, {0x0C, 0, "RPM", "RPM"},
	} {
		s, ok := two.Signal(tt.pid, tt.index)
		require.True(t, ok)
		assert.Equal(t, tt.two, s.Acronym)
		s, ok = four.Signal(tt.pid, tt.index)
		require.True(t, ok)
		assert.Equal(t, tt.four, s.Acronym)
	}
	_, ok := two.Signal(0x0C, 1)
	assert.False(t, ok)
	_, ok = two.Signal(0x6D, 0)
	assert.False(t, ok)

	s, _ := four.Signal(0x38, 1)
	assert.Equal(t, "Wide-range oxygen sensor pump current B3S1", s.Name)
	both := two
	both.Note(0x1D, []byte{0xFF})
	assert.False(t, both.Banks4, "a car that answers both keeps two banks")
	both = four
	both.Note(0x13, []byte{0x03})
	assert.False(t, both.Banks4, "a car that answers both keeps two banks, in either order")
}

func TestContextIgnoresWhatItCannotUse(t *testing.T) {
	var c Context
	c.Note(0x4F, []byte{32, 0, 0})
	c.Note(0x0C, []byte{1, 2})
	c.Note(0x6D, make([]byte, 11))
	assert.Equal(t, Context{}, c)
	c.Note(0x4F, []byte{32, 5, 16, 34})
	c.Note(0x50, []byte{40, 1, 2, 3})
	assert.Equal(t, Context{Lambda: 32, OxygenVolts: 5, OxygenMilliamps: 16, MAPkPa: 340, MAFgps: 400}, c)
	v, err := Decode(0x44, []byte{0x80, 0x00}, c, nil)
	require.NoError(t, err)
	assert.Equal(t, 1.0, v[0].Number, "44 keeps its default scaling until somebody decides")
}
