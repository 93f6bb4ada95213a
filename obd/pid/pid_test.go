package pid

import (
	"math"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// The ranges stand in the table by hand, from the standard's published tables; the layouts must reach exactly them.
func TestRangesAgreeWithLayouts(t *testing.T) {
	published := map[string]string{
		"FUEL_RATE": "5E is printed with 3212.75 (raw FAFF) as its end",
		"LOAD_ABS":  "43 is printed rounded",
		"FUELSYS1":  "one bit at a time",
		"FUELSYS2":  "one bit at a time",
		"AIR_STAT":  "one bit at a time",
		"OBDSUP":    "0 is not used",
		"FUEL_TYP":  "0 is not used",
		"O2S11_PCT": "FFFF is 100.006",
		"O2S12_PCT": "FFFF is 100.006",
		"O2S21_PCT": "FFFF is 100.006",
		"O2S22_PCT": "FFFF is 100.006",
		"O2S13_PCT": "FFFF is 100.006",
		"O2S14_PCT": "FFFF is 100.006",
		"O2S23_PCT": "FFFF is 100.006",
		"O2S24_PCT": "FFFF is 100.006",
		"RUN_TIME":  "FFFFFFFF is a marker",
		"IDLE_TIME": "FFFFFFFF is a marker",
		"PTO_TIME":  "FFFFFFFF is a marker",
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
			if l.wide > 0 {
				highest *= 4
			}
			assert.InDelta(t, s.Min, l.number(lowest), 1e-9, "%s %s", p.PID, s.Acronym)
			assert.InDelta(t, s.Max, l.number(highest), 1e-9+math.Abs(s.Max)*1e-9, "%s %s", p.PID, s.Acronym)
		}
	}
}

func TestTableIsWellFormed(t *testing.T) {
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
			require.NotEmpty(t, s.Name)
			require.False(t, seen[s.Acronym], "%s twice in %s", s.Acronym, p.PID)
			seen[s.Acronym] = true
			if p.Optional(j) {
				require.True(t, isTrim(p.PID) && j == 1, "%s", p.PID)
			}
			require.LessOrEqual(t, s.layout.at+s.layout.bytes, p.Bytes+1, "%s %s", p.PID, s.Acronym)
		}
	}
}

// Against testdata/service01_parameters.tsv: every signal is there, under the standard's acronym, with its unit, its
// range and its parameter's width.
func TestEveryStandardParameterIsThere(t *testing.T) {
	units := map[string]string{"bitmap": "", "enum": "", "dtc": "", "bool": "", "count": "1", "lambda": "1", "ratio": "1", "gear": "1",
		"degC": "°C", "deg BTDC": "° BTDC"}
	list := rows(t, "service01_parameters.tsv")
	require.Len(t, list, 188)
	seen := map[obd.PID]bool{}
	for _, r := range list {
		p := obd.PID(unhex(t, r["pid"])[0])
		seen[p] = true
		param, ok := Lookup(p)
		require.True(t, ok, "%s", p)
		assert.Equal(t, r["bytes"] == "1 or 2", isTrim(p), "%s", p)
		if !isTrim(p) {
			assert.Equal(t, r["bytes"], strconv.Itoa(param.Bytes), "%s", p)
		}
		i := slices.IndexFunc(param.Signals, func(s Signal) bool { return s.Acronym == r["acronym"] })
		require.GreaterOrEqual(t, i, 0, "%s has no %s", p, r["acronym"])
		s := param.Signals[i]
		unit, renamed := units[r["unit"]]
		if !renamed {
			unit = r["unit"]
		}
		assert.Equal(t, unit, s.Unit, "%s %s", p, s.Acronym)
		if r["unit"] == "dtc" { // its range stands in hexadecimal
			continue
		}
		for want, got := range map[string]float64{r["min"]: s.Min, r["max"]: s.Max} {
			n, err := strconv.ParseFloat(want, 64)
			require.NoError(t, err)
			assert.InDelta(t, n, got, 1e-9+math.Abs(n)*1e-5, "%s %s", p, s.Acronym)
		}
	}
	assert.Len(t, seen, 117)
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
	_, ok = two.Signal(0x9A, 0)
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
	c.Note(0x9A, make([]byte, 6))
	assert.Equal(t, Context{}, c)
	c.Note(0x4F, []byte{32, 5, 16, 34})
	c.Note(0x50, []byte{40, 1, 2, 3})
	assert.Equal(t, Context{Lambda: 32, OxygenVolts: 5, OxygenMilliamps: 16, MAPkPa: 340, MAFgps: 400, Answered4F: true, Answered50: true}, c)
}

// What depends on a full scale that the car lists in its bitmap and did not tell is a state, not a value.
func TestAScaleThatIsListedAndNotToldIsUnknown(t *testing.T) {
	var listed, told, none Context
	listed.Note(0x40, []byte{0, 2 | 1, 0, 0}) // 4F and 50
	listed.Note(0x40, []byte{0, 2, 0x80, 0})
	require.False(t, listed.Lists50)
	listed.Note(0x40, []byte{0, 3, 0, 0})
	require.True(t, listed.Lists4F && listed.Lists50)
	told = listed
	told.Note(0x4F, []byte{0, 0, 0, 0})
	told.Note(0x50, []byte{0, 0, 0, 0})
	for _, tt := range []struct {
		bytes    string
		states   []State // in the context that is listed and not told
		fallback float64
	}{
		{"0B 4B", []State{UnknownScale}, 75},
		{"10 01 70", []State{UnknownScale}, 3.68},
		{"24 80 00 20 00", []State{UnknownScale, UnknownScale}, 1},
		{"34 80 00 80 00", []State{UnknownScale, UnknownScale}, 1},
		{"34 00 00 00 00", []State{NotAvailable, NotAvailable}, math.NaN()},
		{"44 80 00", []State{UnknownScale}, 1},
		{"0C 1A F8", []State{Valid}, 1726},
		{"87 01 0C 80 00 00", []State{Valid, NotAvailable}, 100}, // fixed scaling
		{"66 01 00 9A 00 00", []State{Valid, NotAvailable}, 4.8125},
	} {
		b := unhex(t, tt.bytes)
		values, err := Decode(obd.PID(b[0]), b[1:], listed, nil)
		require.NoError(t, err)
		var got []State
		for i, v := range values {
			got = append(got, v.State)
			assert.Equal(t, v.State != Valid, math.IsNaN(v.Number), tt.bytes)
			_, known := listed.Scale(obd.PID(b[0]), i)
			if v.State != NotAvailable {
				assert.Equal(t, v.State == Valid, known, tt.bytes)
			}
		}
		assert.Equal(t, tt.states, got, tt.bytes)
		for _, c := range []Context{told, none} {
			values, err = Decode(obd.PID(b[0]), b[1:], c, nil)
			require.NoError(t, err)
			if math.IsNaN(tt.fallback) {
				assert.Equal(t, NotAvailable, values[0].State, tt.bytes)
			} else {
				assert.Equal(t, tt.fallback, values[0].Number, tt.bytes)
			}
		}
	}
}

// 44 of a car that declares a full scale of λ: SAE J1699-3 applies it, real cars do not (see Context).
func TestCommandedLambdaTakesADecision(t *testing.T) {
	var declared Context
	declared.Note(0x4F, []byte{32, 0, 0, 0})
	assert.True(t, declared.CommandedOpen())
	byDefault, byRule, two := declared, declared, declared
	byDefault.CommandedLambda = DefaultLambda
	byRule.CommandedLambda = declared.Lambda
	two.Note(0x4F, []byte{2, 0, 0, 0})
	for _, tt := range []struct {
		name  string
		c     Context
		raw   uint16
		state State
		want  float64
	}{
		{"open: 16 would be commanded by the rule", declared, 0x8000, Valid, 1},
		{"open: the lowest that the real cars of this sort sent", declared, 0x5C50, Valid, 0x5C50 / 32768.0},
		{"open: both are possible", declared, 0x0800, UnknownScale, 0},
		{"open: the end of the range is an end in default scaling", declared, 0xFFFF, Saturated, 65535 / 32768.0},
		{"open: nothing is nothing in any scale", declared, 0, NotAvailable, 0},
		{"decided: default", byDefault, 0x0800, Valid, 0.0625},
		{"decided: the rule", byRule, 0x0800, Valid, 2048 * 32 / 65535.0},
		{"a full scale of 2 is the default", two, 0x8000, Valid, 1},
		{"no full scale declared", Context{}, 0x0800, Valid, 0.0625},
	} {
		v, err := Decode(0x44, []byte{byte(tt.raw >> 8), byte(tt.raw)}, tt.c, nil)
		require.NoError(t, err)
		assert.Equal(t, tt.state, v[0].State, tt.name)
		if tt.state == Valid || tt.state == Saturated {
			assert.Equal(t, tt.want, v[0].Number, tt.name)
		}
	}
	full, known := byRule.Scale(0x44, 0)
	assert.True(t, known && full == 32)
	_, known = declared.Scale(0x44, 0)
	assert.False(t, known)
	full, known = declared.Scale(0x34, 0)
	assert.True(t, known && full == 32)
	full, known = declared.Scale(0xFF, 0)
	assert.True(t, known && full == 0)
}
