package export

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"io"
	"iter"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
)

var update = flag.Bool("update", false, "rewrite the files in testdata")

const ms = time.Millisecond

type given struct {
	meta    store.Meta
	samples iter.Seq2[store.Sample, error]
}

func (g given) Meta() store.Meta                        { return g.meta }
func (g given) Samples() iter.Seq2[store.Sample, error] { return g.samples }

func list(samples ...store.Sample) iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		for _, s := range samples {
			if !yield(s, nil) {
				return
			}
		}
	}
}

func parameter(from uint32, p byte, bytes int) store.Channel {
	return store.Channel{OBD: &store.OBDChannel{Service: 1, PID: p, From: from, Bytes: bytes}}
}

// drive is a short made-up drive with one of everything.
func drive(samples iter.Seq2[store.Sample, error]) given {
	warmup := 5.0
	return given{samples: samples, meta: store.Meta{
		Format: 1, ID: "00012-7fqk", Number: 12, Vehicle: "the grey van, \"old\"",
		Fuel: store.Fuel{Name: "E10", AFRst: 14.1},
		Anchors: []store.Anchor{
			{At: 0, UTC: time.Date(1970, 1, 1, 0, 0, 9, 0, time.UTC), Source: "system"},
			{At: 90 * time.Second, UTC: time.Date(2024, 5, 6, 7, 9, 30, 0, time.UTC), Source: "synchronised", MaxError: ms},
		},
		Channels: []store.Channel{
			parameter(0x7E8, 0x0C, 2), parameter(0x7E8, 0x0D, 1), parameter(0x7E9, 0x0D, 1), parameter(0x7E8, 0x03, 2),
			{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 0.1875, Divider: 1.5,
				Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}, WarmupVolts: &warmup, Rate: 100}},
			{Name: "oil, pressure", Analog: &store.AnalogChannel{Kind: "linear", Unit: "kPa", ScaleMillivolts: 0.125, Divider: 2,
				Low: store.Point{Volts: 0.5, Value: 0}, High: store.Point{Volts: 4.5, Value: 1000}}},
			parameter(0x7E8, 0x04, 1),
		},
		Static: []store.Static{
			{From: 0x7E8, Service: 9, PID: 2, Payload: []byte("\x49\x02\x011D4GP00R55B123456")}, // the ELM327-class data sheet's example
			{From: 0x7E8, Service: 9, PID: 4, Payload: []byte("\x49\x04\x01CAL-0001\x00\x00\x00\x00\x00\x00\x00\x00")},
		},
		Diagnoses: []store.Diagnosis{
			{When: store.DriveStart, Answers: []store.Static{
				{From: 0x7E8, Service: 3, Payload: []byte{0x43, 1, 0x01, 0x43}}, {From: 0x7E8, Service: 7, Payload: []byte{0x47, 0}},
				{From: 0x7E8, Service: 9, PID: 6, Payload: []byte{0x49, 6, 1, 0x17, 0x91, 0xBC, 0x82}},
				{From: 0x7E9, Service: 1, PID: 1, Payload: []byte{0x41, 1, 0, 4, 0, 0}},
			}},
			{At: time.Hour, When: store.DriveEnd, Problem: "the car no longer answered"},
		},
		Calibrations: []store.Calibration{{Input: "wideband", At: 20 * time.Second, Gain: 0.97, Method: "warm-up level",
			Levels: []store.Level{{Known: 5, Seen: 4.85, Sigma: 0.003, Kind: "warm-up level"}}}},
		Events: []store.Event{
			{At: 2 * time.Second, Until: 3500 * ms, Kind: "gap", Source: "obd", Text: "the car did not answer"},
			{At: 4 * time.Second, Kind: "mark", Text: "pull in third"},
			{At: 5 * time.Second, Until: store.StillOpen, Kind: "gap", Source: "wideband"},
		},
	}}
}

func driven() given {
	half := 6500 * time.Microsecond
	return drive(list(
		store.Sample{At: -20 * ms, Half: half, Channel: 0, Code: 0x0C80},                   // 800 1/min, kept from before the start
		store.Sample{At: 10 * ms, Half: ms, Channel: 4, Code: 17244, Flags: store.Warming}, // 4.849 875 V
		store.Sample{At: 20 * ms, Half: ms, Channel: 4, Code: 8622},                        // 2.424 937 5 V
		store.Sample{At: 20 * ms, Half: ms, Channel: 5, Code: 10000},                       // 2.5 V, 500 kPa
		store.Sample{At: 15500 * time.Microsecond, Half: half, Channel: 0, Code: 0x1AF9},   // three of one answer, late
		store.Sample{At: 15500 * time.Microsecond, Half: half, Channel: 1, Code: 50},
		store.Sample{At: 15500 * time.Microsecond, Half: half, Channel: 2, Code: 49},
		store.Sample{At: 15500 * time.Microsecond, Half: 2 * half, Channel: 3, Code: 0x0200}, // same instant, other bound
		store.Sample{At: 30 * ms, Half: ms, Channel: 4, Code: 15467, Flags: store.AtLimit},
		store.Sample{At: 40 * ms, Half: ms, Channel: 4, Code: 1778, Flags: store.AtLimit},
		store.Sample{At: time.Hour + 1*time.Microsecond, Half: half, Channel: 6, Code: 100}, // 100·100/255 %
		store.Sample{At: time.Hour + 1*time.Microsecond, Half: half, Channel: 6, Code: 101}, // again in the same instant
		store.Sample{At: 2 * time.Hour, Half: half, Channel: 0, Code: 0},
	))
}

func session(t testing.TB, g given) *derive.Session {
	t.Helper()
	s, err := derive.NewWith(g, derive.Options{Uncertainty: true})
	require.NoError(t, err)
	return s
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, got, 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), string(got))
}

func TestCSVGolden(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, Write(&out, "csv", session(t, driven())))
	golden(t, "drive.csv", out.Bytes())
}

func TestDescriptionGolden(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, Describe(&out, "drive.csv", session(t, driven()), session(t, driven()).Meta().Began()))
	golden(t, "drive.csv"+DescriptionSuffix, out.Bytes())
}

// RFC 4180 as encoding/csv reads it: one header, equal field counts, CRLF; and every number reads back as what was
// derived, at the resolution that is stated.
func TestCSVReadsBack(t *testing.T) {
	var out bytes.Buffer
	s := session(t, driven())
	require.NoError(t, CSV(&out, s))
	assert.Equal(t, strings.Count(out.String(), "\n"), strings.Count(out.String(), "\r\n"), "every line ends in CRLF")
	rows, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	header := rows[0]
	assert.Equal(t, []string{"time [s]", "time bound [s]", "FUELSYS1", "FUELSYS1 text", "FUELSYS2", "FUELSYS2 text", "LOAD_PCT [%]",
		"RPM [1/min]", "VSS [km/h]", "VSS@7E9 [km/h]", "wideband [V]", "wideband lambda [1]", "wideband lambda uncertainty [1]", "wideband AFR [1]",
		"wideband state",
		"oil, pressure [kPa]"}, header)

	row, last := 0, derive.Value{At: math.MinInt64}
	seen := map[string]bool{}
	for v, err := range s.Values() {
		require.NoError(t, err)
		c := s.Channels()[v.Channel]
		title := c.Name
		if c.Unit != "" {
			title += " [" + c.Unit + "]"
		}
		if v.At != last.At || v.Half != last.Half || seen[title] {
			row++
			clear(seen)
		}
		last, seen[title] = v, true
		cell := func(title string) string {
			for i, h := range header {
				if h == title {
					return rows[row][i]
				}
			}
			require.Fail(t, "no column "+title)
			return ""
		}
		assert.InDelta(t, v.At.Seconds(), parse(t, cell("time [s]")), 1e-9)
		assert.InDelta(t, v.Half.Seconds(), parse(t, cell("time bound [s]")), 1e-9)
		got := parse(t, cell(title))
		if c.Decimals < 0 {
			assert.Equal(t, v.Number, got, "%s: exactly", title)
		} else {
			assert.InDelta(t, v.Number, got, math.Pow10(-c.Decimals)*0.500001, title)
		}
		if c.Kind == derive.Volts {
			assert.Equal(t, map[bool]string{true: "valid", false: v.State}[v.State == ""], cell("wideband state"))
			assert.Equal(t, v.State != "", cell("wideband lambda [1]") == "", "λ only where the state is valid")
			assert.Equal(t, v.State != "", cell("wideband lambda uncertainty [1]") == "", "and what it may be wrong by beside it")
		}
	}
	assert.Len(t, rows, row+1)
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return x
}

// The vocabulary is W3C's Metadata Vocabulary for Tabular Data (2015): every column of the file in order, its title as
// in the header, names without blanks.
func TestDescriptionFitsTheFile(t *testing.T) {
	var file, description bytes.Buffer
	require.NoError(t, CSV(&file, session(t, driven())))
	require.NoError(t, Describe(&description, "a drive.csv", session(t, driven()), session(t, driven()).Meta().Began()))
	var d struct {
		Context string `json:"@context"`
		URL     string `json:"url"`
		Created string `json:"dc:created"`
		Schema  struct {
			Columns []struct {
				Name, Titles, Datatype string
				Unit                   string `json:"schema:unitText"`
				Provenance             string `json:"dc:provenance"`
			}
		} `json:"tableSchema"`
	}
	require.NoError(t, json.Unmarshal(description.Bytes(), &d))
	assert.Equal(t, "http://www.w3.org/ns/csvw", d.Context)
	assert.Equal(t, "a%20drive.csv", d.URL)
	assert.Equal(t, "2024-05-06T07:08:00Z", d.Created, "by the synchronised clock")
	rows, err := csv.NewReader(&file).ReadAll()
	require.NoError(t, err)
	require.Len(t, d.Schema.Columns, len(rows[0]))
	for i, c := range d.Schema.Columns {
		assert.Equal(t, rows[0][i], c.Titles)
		assert.Regexp(t, `^[A-Za-z0-9][A-Za-z0-9_]*$`, c.Name)
		if c.Titles == "wideband lambda [1]" {
			assert.Contains(t, c.Provenance, "seen = 0.97·true")
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, row := range []struct {
		name     string
		x        float64
		decimals int
		want     string
	}{
		{"as many as it takes", 100.0 * 100 / 255, -1, "39.21568627450981"},
		{"an integer", 1726, -1, "1726"},
		{"a quarter", 1726.25, -1, "1726.25"},
		{"large, without exponent", 4294967295, -1, "4294967295"},
		{"small, without exponent", 0.0000305, -1, "0.0000305"},
		{"rounded", 0.99999, 4, "1.0000"},
		{"no negative zero", -0.00004, 4, "0.0000"},
		{"nor so", math.Copysign(0, -1), -1, "0"},
		{"negative", -10.5, -1, "-10.5"},
		{"no number", math.NaN(), -1, ""},
		{"nor one", math.Inf(1), 4, ""},
	} {
		t.Run(row.name, func(t *testing.T) { assert.Equal(t, row.want, number(row.x, row.decimals)) })
	}
	assert.Equal(t, "-0.020000", seconds(-20*ms))
	assert.Equal(t, "3600.000001", seconds(time.Hour+time.Microsecond))
	assert.Equal(t, 2*time.Microsecond, roundUp(1001))
	assert.Equal(t, time.Microsecond, roundUp(1000))
	assert.Equal(t, time.Duration(0), roundUp(0))
}

// A λ of an engine computer at the end of its range (the words FF00 and above, as in a fuel cut) is none, and neither is the word 0.
func TestTheEndOfARangeIsNoLambda(t *testing.T) {
	g := drive(list(store.Sample{At: ms, Code: 0x80008000}, store.Sample{At: 2 * ms, Code: 0xFFFF8000}, store.Sample{At: 3 * ms, Code: 0xFF008000},
		store.Sample{At: 4 * ms, Code: 0x00008000}, store.Sample{At: 5 * ms, Code: 0xFEFF8000}))
	g.meta.Channels = []store.Channel{parameter(0x7E8, 0x24, 4)}
	var out bytes.Buffer
	require.NoError(t, Write(&out, "csv", session(t, g)))
	rows, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	k := slices.IndexFunc(rows[0], func(name string) bool { return strings.HasPrefix(name, "LAMBDA11") })
	require.GreaterOrEqual(t, k, 0, rows[0])
	var cells []string
	for _, row := range rows[1:] {
		cells = append(cells, row[k])
	}
	require.Len(t, cells, 5)
	assert.InDelta(t, 1, parse(t, cells[0]), 1e-9)
	assert.Equal(t, []string{"", "", ""}, cells[1:4])
	assert.InDelta(t, 1.9921, parse(t, cells[4]), 1e-4)
}

func TestFormats(t *testing.T) {
	assert.Equal(t, []string{"csv"}, Formats())
	var out bytes.Buffer
	err := Write(&out, "xls", session(t, driven()))
	require.ErrorIs(t, err, ErrFormat)
	assert.Equal(t, `unknown format "xls": there is csv`, err.Error())
	assert.Empty(t, out.String())
}

func TestDamagedBlocksAreLeftOutAndTold(t *testing.T) {
	broken := &store.BlockError{Session: "00012-7fqk", First: 3, Last: 4, Err: errors.New("missing")}
	with := func(errs ...error) given {
		return drive(func(yield func(store.Sample, error) bool) {
			for i, err := range errs {
				if !yield(store.Sample{At: time.Duration(i) * ms, Code: 4}, nil) || !yield(store.Sample{}, err) {
					return
				}
			}
			yield(store.Sample{At: time.Second, Code: 8}, nil)
		})
	}
	var out bytes.Buffer
	err := CSV(&out, session(t, with(broken, broken)))
	var incomplete *Incomplete
	require.ErrorAs(t, err, &incomplete)
	assert.ErrorIs(t, err, store.ErrDamaged)
	assert.Equal(t, uint64(4), incomplete.Blocks)
	assert.Equal(t, "written without 4 damaged blocks, the first: session 00012-7fqk, blocks 3 to 4: missing", err.Error())
	assert.Equal(t, 4, strings.Count(out.String(), "\r\n"), "a header and every reading")

	err = CSV(io.Discard, session(t, with(broken, io.ErrUnexpectedEOF)))
	require.ErrorIs(t, err, io.ErrUnexpectedEOF)
	assert.NotErrorAs(t, err, &incomplete)
}

// full takes some bytes and then no more.
type full struct{ left int }

func (f *full) Write(b []byte) (int, error) {
	if f.left -= len(b); f.left < 0 {
		return 0, errors.New("no space left")
	}
	return len(b), nil
}

func TestAFullDiskIsTold(t *testing.T) {
	for _, room := range []int{0, 10000} {
		many := drive(func(yield func(store.Sample, error) bool) {
			for i := range 1000 {
				if !yield(store.Sample{At: time.Duration(i) * ms, Code: 4}, nil) {
					return
				}
			}
		})
		assert.ErrorContains(t, CSV(&full{room}, session(t, many)), "no space left")
	}
	assert.Error(t, Describe(&full{0}, "x.csv", session(t, driven()), session(t, driven()).Meta().Began()))
}

// A writer sees rows while the session is still being read: nothing is collected.
func TestCSVStreams(t *testing.T) {
	var out bytes.Buffer
	most := 0
	long := drive(func(yield func(store.Sample, error) bool) {
		for i := range 20_000 {
			if i == 19_999 {
				most = out.Len()
			}
			if !yield(store.Sample{At: time.Duration(i) * 10 * ms, Channel: 4, Code: 8000}, nil) {
				return
			}
		}
	})
	require.NoError(t, CSV(&out, session(t, long)))
	assert.Greater(t, most, out.Len()*9/10)
}

func BenchmarkCSV(b *testing.B) {
	g := drive(func(yield func(store.Sample, error) bool) {
		for i := range 10000 {
			if !yield(store.Sample{At: time.Duration(i) * 10 * ms, Half: ms, Channel: uint16(4 * (i & 1)), Code: int64(5000 + i&0xFFF)}, nil) {
				return
			}
		}
	})
	s := session(b, g)
	b.ReportAllocs()
	for b.Loop() {
		if err := CSV(io.Discard, s); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*10000), "ns/row")
}

// What the car's word made of a quantity stands beside its column.
func TestDescriptionSaysHowTheCarsScalesWereTaken(t *testing.T) {
	g := given{samples: list(), meta: store.Meta{ID: "00001-aaaa", Channels: []store.Channel{parameter(0x7E8, 0x0B, 1), parameter(0x7E8, 0x66, 5)},
		Static: []store.Static{{From: 0x7E8, Service: 1, PID: 0x4F, Payload: []byte{0x41, 0x4F, 0, 0, 0, 34}}}}}
	var out bytes.Buffer
	require.NoError(t, Describe(&out, "drive.csv", session(t, g), session(t, g).Meta().Began()))
	var d csvw
	require.NoError(t, json.Unmarshal(out.Bytes(), &d))
	by := map[string]csvwColumn{}
	for _, c := range d.Schema.Columns {
		by[c.Name] = c
	}
	assert.Equal(t, "the car declares a full scale of 340 kPa", by["MAP"].Correction)
	assert.Contains(t, by["MAF"].Correction, "the car has no 10; out of 66")
	assert.Equal(t, "01 66 from 7E8", by["MAF"].Source)
	assert.Empty(t, by["MAFA"].Correction)
}

func TestManyLevelsAreCounted(t *testing.T) {
	many := []store.Level{{Kind: "cruise"}, {Kind: "cruise"}, {Kind: "fuel cut"}, {Kind: "cruise"}, {Kind: "idle"}}
	assert.Equal(t, "; known levels: 3 of cruise, 1 of fuel cut, 1 of idle", levels(many))
	many[2].Residual, many[3].Residual = 0.002, -0.0061
	assert.Equal(t, "; known levels: 3 of cruise, 1 of fuel cut, 1 of idle, none more than 6.1 mV off the correction", levels(many))
	assert.Equal(t, "; idle of 5 V seen as 4.9 V, -4.0 mV off the correction", levels([]store.Level{{Kind: "idle", Known: 5, Seen: 4.9, Residual: -0.004}}))
	e10 := store.Fuel{Name: "E10"}
	assert.Contains(t, correction(derive.Correction{Calibration: store.Calibration{Gain: 1, Fuel: &e10}}), ", on E10")
	other := store.Applied{Calibration: store.Calibration{PlugPerPin: 1.5625}, From: 7}
	assert.Contains(t, correction(derive.Correction{Channel: store.AnalogChannel{Divider: 1.5}, Other: &other}), "applied from session 7 on was measured through a divider of 1.5625 and not 1.5 ")
	assert.Equal(t, "; idle of 2.5 V seen as 2.4 V", levels([]store.Level{{Kind: "idle", Known: 2.5, Seen: 2.4}}))
}
