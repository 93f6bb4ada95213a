package pid

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// generic are the names that the fixtures give to signals of several parameters alike, with the place in the table.
var generic = map[string]int{"V": 1, "mA": 1, "STFT": 1, "EQ_RAT": 0, "PCT": 0, "T": 0, "TRIM": 0, "MIN": 0, "TQ": 0,
	"CATEMP": 0, "FRP_ABS": 0, "FUEL_RATE_ALT": 0}

// find returns the place of a signal that a fixture names, among those of parameter p.
func find(t *testing.T, p obd.PID, name string) int {
	t.Helper()
	param, ok := Lookup(p)
	require.True(t, ok, "parameter %s", p)
	for i, s := range param.Signals {
		if s.Acronym == name {
			return i
		}
	}
	if name == "LAMBDA" || name == "V" && p < 0x24 {
		return 0
	}
	i, ok := generic[name]
	require.True(t, ok, "parameter %s has no signal %q", p, name)
	return i
}

// sameValue compares a decoded value with what a fixture prints, which is rounded to six decimals.
func sameValue(t *testing.T, s Signal, v Value, want string) {
	t.Helper()
	switch {
	case want == "absent (FF)":
		assert.Equal(t, NotAvailable, v.State, s.Acronym)
	case s.layout.meaning == supportedText, s.layout.meaning == location13, s.layout.meaning == location1D,
		s.layout.meaning == troubleCode && strings.HasPrefix(want, "P"): // the real cars' rows print the code's number
		assert.Equal(t, want, v.Text, s.Acronym)
	case s.layout.meaning == monitors:
		n := uint32(v.Number)
		assert.Equal(t, want, fmt.Sprintf("B=%02X C=%02X D=%02X", n>>16, n>>8&0xFF, n&0xFF), s.Acronym)
	default:
		n, err := strconv.ParseFloat(want, 64)
		require.NoError(t, err)
		if v.State == NotAvailable { // the fixture prints what the marker would be as a number
			assert.Contains(t, []float64{0, -128, 99.21875}, n, "%s is not available", s.Acronym)
			assert.True(t, math.IsNaN(v.Number), s.Acronym)
			return
		}
		assert.InDelta(t, n, v.Number, 5.001e-7, s.Acronym)
	}
}

// Against testdata/service01_vectors.tsv: worked examples, half of them bytes that real cars sent, values by the
// formulas of the compliance test SAE J1699-3. They go the way that an answer goes in the daemon: printed by an adapter
// as frames, put together by its dialogue.
func TestWorkedExamples(t *testing.T) {
	examples := rows(t, "service01_vectors.tsv")
	require.Len(t, examples, 164)
	l := newLine(t, "6", "7E8064100BE1FA813\r")
	for _, r := range examples {
		t.Run(strings.TrimSpace(r["reply"]+" "+r["context_4F"]+" "+r["context_50"]), func(t *testing.T) {
			var c Context
			for _, k := range []string{"context_4F", "context_50"} {
				if b := unhex(t, r[k]); len(b) > 0 {
					c.Note(obd.PID(b[0]), b[1:])
				}
			}
			payload := unhex(t, r["reply"])
			if payload[1] == 0x44 && c.Lambda > 0 {
				// The row follows SAE J1699-3, which scales 44 by 4F; here that takes a decision.
				c.CommandedLambda = c.Lambda
			}
			answer, err := l.ask(t.Context(), obd.PID(payload[1]), framed(0x7E8, payload))
			require.NoError(t, err)
			require.Len(t, answer.Messages, 1)
			require.Equal(t, payload, answer.Messages[0].Payload)
			count := 0
			err = Split(answer.Messages[0].Payload, func(p obd.PID, data []byte) bool {
				values, err := Decode(p, data, c, nil)
				require.NoError(t, err)
				listed := map[int]bool{}
				for _, item := range strings.Split(r["expected"], ";") {
					name, want, ok := strings.Cut(item, "=")
					require.True(t, ok)
					i := find(t, p, name)
					param, _ := Lookup(p)
					require.Less(t, i, len(values), name)
					require.Equal(t, i, values[i].Index)
					sameValue(t, param.Signals[i], values[i], want)
					listed[i] = true
				}
				for _, v := range values {
					if !listed[v.Index] && p != 0x8C && p != 0x01 {
						assert.Equal(t, NotAvailable, v.State, "signal %d is not among the expected", v.Index)
					}
				}
				count++
				return true
			})
			require.NoError(t, err)
			assert.Equal(t, 1, count)
		})
	}
}

// A real car's answer, from an open OBD library's issue tracker: λ and the pump current of its own sensor; the absolute load of 0.464 g
// of air in half a litre (derived, by SAE J1979's 1.184 g/l).
func TestOwnSensorAndLoad(t *testing.T) {
	values, err := Decode(0x34, []byte{0x7B, 0xD1, 0x7F, 0xCC}, Context{}, nil)
	require.NoError(t, err)
	require.Len(t, values, 2)
	assert.InDelta(t, 0.9673, values[0].Number, 0.00005)
	assert.InDelta(t, -0.203, values[1].Number, 0.0005, "mA")
	values, err = Decode(0x43, []byte{0x00, 0xC8}, Context{}, nil)
	require.NoError(t, err)
	assert.InDelta(t, 100*0.4640/(1.184*0.5), values[0].Number, 0.1)
}

func TestMarkersAreStates(t *testing.T) {
	for _, tt := range []struct {
		name  string
		bytes string // parameter and data
		want  []State
	}{
		// Fillers and markers seen in answers of real cars, except where noted.
		{"wide-range sensor before it is ready", "34 00 00 00 00", []State{NotAvailable, NotAvailable}},
		{"wide-range sensor, λ 0 with current near 0", "34 00 00 80 00", []State{NotAvailable, Valid}},
		{"wide-range sensor in a fuel cut", "34 FF FF 8A 00", []State{Saturated, Valid}},
		{"wide-range sensor with voltage, λ at its end", "24 FF FF 70 53", []State{Saturated, Valid}},
		{"a computer whose λ ends at 1.9988 (a public analysis of a car's log)", "34 FF D9 8A 00", []State{Saturated, Valid}},
		{"the least that counts as the end (common practice)", "24 FF 00 70 53", []State{Saturated, Valid}},
		{"one less is a λ", "34 FE FF 8A 00", []State{Valid, Valid}},
		{"commanded λ in a fuel cut, short of its end", "44 FF 80", []State{Saturated}},
		{"commanded λ in a fuel cut", "44 FF FF", []State{Saturated}},
		{"commanded λ of nothing", "44 00 00", []State{NotAvailable}},
		{"narrow-band sensor that trims nothing", "15 11 FF", []State{Valid, NotAvailable}},
		{"a fuel trim of FF is +99.2 %, no marker", "06 FF", []State{Valid}},
		{"second air flow sensor not there", "66 01 00 9A 00 00", []State{Valid, NotAvailable}},
		{"boost commanded bytes without their status bit", "70 02 09 A5 0D 55 00 00 00 00 00",
			[]State{NotAvailable, Valid, NotAvailable, NotAvailable, NotAvailable, NotAvailable}},
		{"run times, none of the power take-off and one not kept (SAE J1699-3 writes n.a.)", "7F 03 00 BD 31 48 FF FF FF FF 00 00 00 00",
			[]State{Valid, NotAvailable, NotAvailable}},
		{"NOx FFFF (from memory of later editions)", "83 03 FF FF 00 10 00 00 00 00",
			[]State{NotAvailable, Valid, NotAvailable, NotAvailable}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := unhex(t, tt.bytes)
			values, err := Decode(obd.PID(b[0]), b[1:], Context{}, nil)
			require.NoError(t, err)
			var got []State
			for _, v := range values {
				got = append(got, v.State)
				assert.Equal(t, v.State == NotAvailable, math.IsNaN(v.Number), "NaN exactly where nothing is available")
			}
			assert.Equal(t, tt.want, got)
		})
	}
}

func TestDecodeRefuses(t *testing.T) {
	kept := []Value{{Index: 7}}
	for _, tt := range []struct {
		name string
		pid  obd.PID
		data []byte
		want error
		text string
	}{
		{"one byte of RPM", 0x0C, []byte{0x1A}, ErrLength, "service 01 parameter 0C with 1 bytes: the number of bytes is wrong, 2 are right"},
		{"three bytes of a trim", 0x06, []byte{1, 2, 3}, ErrLength, "service 01 parameter 06 with 3 bytes: the number of bytes is wrong, 1 are right"},
		{"no data", 0x0C, nil, ErrLength, "service 01 parameter 0C with 0 bytes: the number of bytes is wrong, 2 are right"},
		{"not in the table", 0x9A, make([]byte, 6), ErrUnknown, "service 01 parameter 9A with 6 bytes: the parameter is not in the table"},
		// 14 bytes where one is right, from a real car (a 2010 model of the OBDb collection).
		{"a parameter that brings others' bytes along", 0x4C, make([]byte, 14), ErrLength, "service 01 parameter 4C with 14 bytes: the number of bytes is wrong, 1 are right"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Decode(tt.pid, tt.data, Context{}, kept)
			require.ErrorIs(t, err, tt.want)
			var e *Error
			require.ErrorAs(t, err, &e)
			assert.Equal(t, tt.pid, e.PID)
			assert.EqualError(t, err, tt.text)
			assert.Equal(t, kept, got)
		})
	}
}

// Meanings of bits and numbers: SAE J1699-3 and the public tables of SAE J1979.
func TestText(t *testing.T) {
	for _, tt := range []struct{ name, bytes, want string }{
		{"closed loop, one fuel system", "03 02 00", "CL|off"},
		{"both bytes", "03 04 02", "OL-Drive|CL"},
		{"two bits, which the standard forbids", "03 03 00", "OL+CL|off"},
		{"later edition", "03 20 00", "OL-B2|off"},
		{"secondary air off", "12 04", "atmosphere or off"},
		{"four banks", "1D 57", "B1S1 B1S2 B2S1 B3S1 B4S1"},
		{"fuel", "51 04", "diesel"},
		{"fuel unknown", "51 77", "unknown (77)"},
		{"standard", "1C 06", "EOBD"},
		{"no freeze frame", "02 00 00", "none"},
		{"lamp on, tests open", "01 83 07 65 04", "on||not complete: evaporative system"},
		{"all tests done", "01 01 07 E5 00", "off||complete"},
		{"compression ignition", "41 00 0F EB EB",
			"not complete: NMHC catalyst, NOx aftertreatment, boost pressure, exhaust gas sensor, particulate filter, EGR or VVT"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := unhex(t, tt.bytes)
			values, err := Decode(obd.PID(b[0]), b[1:], Context{}, nil)
			require.NoError(t, err)
			var texts []string
			for _, v := range values {
				texts = append(texts, v.Text)
			}
			assert.Equal(t, tt.want, strings.Join(texts, "|"))
		})
	}
}

func TestDecodeDoesNotAllocate(t *testing.T) {
	into := make([]Value, 0, 8)
	for _, b := range [][]byte{{0x0C, 0x1A, 0xF8}, {0x34, 0x80, 0x01, 0x80, 0x00}, {0x06, 0x8D}, {0x03, 2, 0}, {0x66, 1, 0, 0x9A, 0, 0}} {
		n := testing.AllocsPerRun(100, func() {
			var err error
			into, err = Decode(obd.PID(b[0]), b[1:], Context{}, into[:0])
			if err != nil {
				t.Fatal(err)
			}
		})
		assert.Zero(t, n, "parameter %02X", b[0])
	}
}

func FuzzDecode(f *testing.F) {
	for _, r := range rows(f, "service01_vectors.tsv") {
		b := unhex(f, r["reply"])
		f.Add(b[1], b[2:], byte(0), byte(0))
	}
	f.Add(byte(0x34), []byte{0x08, 0x0A, 0x80, 0x00}, byte(0x20), byte(0))
	f.Add(byte(0x44), []byte{0x08, 0x00}, byte(0x20), byte(0))
	f.Add(byte(0x6B), []byte{0x30, 0x2A, 0x0A, 0x0A, 0x0A}, byte(0), byte(0))
	f.Fuzz(func(t *testing.T, p byte, data []byte, lambda, maf byte) {
		var c Context
		c.Note(0x4F, []byte{lambda, maf, lambda, maf})
		c.Note(0x50, []byte{maf, 0, 0, 0})
		values, err := Decode(obd.PID(p), data, c, nil)
		var e *Error
		if err != nil {
			require.ErrorAs(t, err, &e)
			require.Empty(t, values)
			return
		}
		param, ok := Lookup(obd.PID(p))
		require.True(t, ok)
		for _, v := range values {
			s := param.Signals[v.Index]
			require.Equal(t, v.State == NotAvailable || v.State == UnknownScale, math.IsNaN(v.Number), s.Acronym)
			if v.State != NotAvailable && lambda == 0 && maf == 0 && s.layout.meaning < onOff && s.Acronym != "FUEL_RATE" {
				require.GreaterOrEqual(t, v.Number, s.Min-1e-9, s.Acronym)
				require.LessOrEqual(t, v.Number, s.Max+0.01+s.Max*1e-4, s.Acronym)
			}
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	into := make([]Value, 0, 8)
	for _, bench := range []struct {
		name string
		data []byte
	}{{"RPM", []byte{0x0C, 0x1A, 0xF8}}, {"LAMBDA11", []byte{0x34, 0x80, 0x01, 0x80, 0x00}}, {"MAF", []byte{0x10, 1, 0x70}}} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				into, _ = Decode(obd.PID(bench.data[0]), bench.data[1:], Context{}, into[:0])
			}
		})
	}
}
