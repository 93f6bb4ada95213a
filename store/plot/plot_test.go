package plot

import (
	"cmp"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
	"underdash/store/storetest"
)

const ms = time.Millisecond

// given is a session in memory.
type given struct {
	meta    store.Meta
	samples []store.Sample
	errs    map[int]error // before the sample of that place
}

func (g given) Meta() store.Meta { return g.meta }

func (g given) Samples() iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		for i, s := range g.samples {
			if err := g.errs[i]; err != nil && !yield(store.Sample{}, err) {
				return
			}
			if !yield(s, nil) {
				return
			}
		}
	}
}

func (g given) open(context.Context) (*derive.Session, func() error, error) {
	s, err := derive.New(g)
	return s, func() error { return nil }, err
}

func ask(t *testing.T, c *Cache, g given, q Request) Plot {
	t.Helper()
	p, err := c.Plot(t.Context(), "a", g.open, q)
	require.NoError(t, err)
	return p
}

func reference(length time.Duration) given {
	d := storetest.Reference{Seed: 3, Length: length}
	return given{meta: d.Meta(), samples: d.Samples()}
}

// told is what derive says of a channel: instants and numbers as they stand in an export.
type told struct {
	at int64 // microseconds
	x  float64
}

func plain(t *testing.T, g given) (*derive.Session, [][]told) {
	t.Helper()
	s, err := derive.New(g)
	require.NoError(t, err)
	all := make([][]told, len(s.Channels()))
	for v, err := range s.Values() {
		require.NoError(t, err)
		if math.IsNaN(v.Number) {
			continue
		}
		x, err := strconv.ParseFloat(strconv.FormatFloat(v.Number, 'f', s.Channels()[v.Channel].Decimals, 64), 64)
		require.NoError(t, err)
		all[v.Channel] = append(all[v.Channel], told{v.At.Round(time.Microsecond).Microseconds(), x})
	}
	return s, all
}

// Of random ranges every column is compared with the least, greatest and last of what derive yields in it, and no
// reading of the range is outside of all columns. The three caches hold everything; a coarse whole and a part; and coarse
// columns only.
func TestColumnsAreWhatWasRead(t *testing.T) {
	g := reference(6 * time.Minute)
	s, all := plain(t, g)
	for _, row := range []struct {
		name  string
		limit int
		least time.Duration // range
	}{
		{"everything is kept", 0, ms},
		{"a part is kept", 400 << 10, ms},
		{"the range takes too much", 100 << 10, 20 * time.Second},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := New(Options{Limit: row.limit})
			r := rand.New(rand.NewPCG(5, 6))
			for range 30 {
				q := Request{Points: 50 + r.IntN(1000)}
				length := row.least + time.Duration(r.Float64()*r.Float64()*float64(6*time.Minute))
				q.From = time.Duration(r.Float64() * float64(6*time.Minute))
				q.To = q.From + length
				p := ask(t, c, g, q)
				require.Len(t, p.Series, len(s.Channels()))
				for i, series := range p.Series {
					require.LessOrEqual(t, len(series.Columns), q.Points)
					compare(t, series, all[i], q)
				}
			}
		})
	}
}

func compare(t *testing.T, s Series, all []told, q Request) {
	t.Helper()
	from, to := q.From.Round(time.Microsecond).Microseconds(), q.To.Round(time.Microsecond).Microseconds()
	if s.Width == 0 {
		var want []told
		for i, x := range all {
			in := x.at >= from && x.at < to
			before := x.at < from && (i+1 == len(all) || all[i+1].at >= from)
			after := x.at >= to && (i == 0 || all[i-1].at < to)
			if in || before || after {
				want = append(want, x)
			}
		}
		var got []told
		for _, c := range s.Columns {
			require.True(t, c.Min == c.Max && c.Min == c.Last)
			got = append(got, told{int64(math.Round(c.At * 1e6)), c.Min})
		}
		// Where only a part is kept, a neighbour that is further away than the part reaches is not there.
		if len(got) < len(want) {
			want = slices.DeleteFunc(want, func(x told) bool { return (x.at < from || x.at >= to) && !slices.Contains(got, x) })
		}
		require.Equal(t, want, got, s.Channel)
		return
	}
	width := int64(math.Round(s.Width * 1e6))
	seen := 0
	for _, c := range s.Columns {
		at := int64(math.Round(c.At * 1e6))
		n, least, most, last := 0, math.Inf(1), math.Inf(-1), math.NaN()
		for _, x := range between(all, at, at+width) {
			n++
			least, most, last = min(least, x.x), max(most, x.x), x.x
			if x.at >= from && x.at < to {
				seen++
			}
		}
		require.Positive(t, n)
		require.Equal(t, []float64{least, most, last}, []float64{c.Min, c.Max, c.Last}, "%s at %v", s.Channel, c.At)
	}
	require.Equal(t, len(between(all, from, to)), seen, "%s has all readings of the range in columns", s.Channel)
}

// between are those of [from, to); all are in order.
func between(all []told, from, to int64) []told {
	at := func(x told, at int64) int { return cmp.Compare(x.at, at) }
	i, _ := slices.BinarySearchFunc(all, from, at)
	j, _ := slices.BinarySearchFunc(all, to, at)
	return all[i:max(i, j)]
}

// The outside here is the exported file: at full zoom the JSON has, digit by digit, the numbers and instants of the CSV.
func TestFullZoomIsTheExport(t *testing.T) {
	g := reference(5 * time.Second)
	s, err := derive.New(g)
	require.NoError(t, err)
	var file strings.Builder
	require.NoError(t, export.CSV(&file, s))
	rows, err := csv.NewReader(strings.NewReader(file.String())).ReadAll()
	require.NoError(t, err)
	want := make(map[string][][2]string)
	for _, row := range rows[1:] {
		for i, cell := range row {
			if cell != "" && i > 1 {
				name, _, _ := strings.Cut(rows[0][i], " [")
				want[name] = append(want[name], [2]string{trim(row[0]), trim(cell)})
			}
		}
	}
	text, err := json.Marshal(ask(t, New(Options{}), g, Request{Points: 1000}))
	require.NoError(t, err)
	var got struct {
		Series []struct {
			Channel string
			Width   float64
			Columns [][]json.Number
		}
	}
	require.NoError(t, json.Unmarshal(text, &got))
	require.Len(t, got.Series, len(s.Channels()))
	for _, series := range got.Series {
		assert.Zero(t, series.Width)
		var have [][2]string
		for _, c := range series.Columns {
			if c != nil { // null before a break
				have = append(have, [2]string{c[0].String(), c[1].String()})
			}
		}
		assert.Equal(t, want[series.Channel], have, series.Channel)
	}
}

// trim drops zeros that say nothing.
func trim(s string) string {
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

func TestRoundingIsTheExports(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, decimals := range []int{0, 3, 4, 9} {
		c := newCoder(decimals)
		unit := math.Pow10(decimals)
		numbers := []float64{0.00005, 1.00005, 2.5, 3.5, -0.00005, -2.5, math.Copysign(0, -1), 1e15, 1e18, -1e18,
			math.MaxFloat64, 5e-324}
		most := 20000
		if testing.Short() {
			most = 1000
		}
		for range most {
			x := (float64(r.IntN(2000000)-1000000) + 0.5) / unit // a tie, or next to one
			numbers = append(numbers, x, math.Nextafter(x, 9e9), math.Nextafter(x, -9e9), r.NormFloat64())
		}
		for _, x := range numbers {
			code, shown := c.code(x)
			want, err := strconv.ParseFloat(strconv.FormatFloat(x, 'f', decimals, 64), 64)
			require.NoError(t, err)
			require.Equal(t, want, shown, "%v with %d decimals", x, decimals)
			require.Equal(t, want, c.number(code))
		}
	}
}

func linear(name string) store.Channel {
	return store.Channel{Name: name, Analog: &store.AnalogChannel{Kind: "linear", Unit: "bar", ScaleMillivolts: 1, Divider: 1,
		High: store.Point{Volts: 1, Value: 1}}}
}

func every(step time.Duration, at time.Duration, n int) (all []store.Sample) {
	for i := range n {
		all = append(all, store.Sample{At: at + time.Duration(i)*step, Code: int64(i)})
	}
	return all
}

func TestGapsAreGaps(t *testing.T) {
	const s = time.Second
	lost := &store.BlockError{First: 3, Last: 4, Err: errors.New("torn")}
	for _, row := range []struct {
		name    string
		samples []store.Sample
		errs    map[int]error
		want    []float64 // seconds, of the readings behind a break
	}{
		{"a steady source", every(100*ms, 0, 200), nil, nil},
		{"a few intervals are none", slices.Concat(every(100*ms, 0, 50), every(100*ms, 5400*ms, 50)), nil, nil},
		{"more are", slices.Concat(every(100*ms, 0, 50), every(100*ms, 5500*ms, 50)), nil, []float64{5.5}},
		{"two next to each other", slices.Concat(every(100*ms, 0, 50), every(100*ms, 10*s, 2), every(100*ms, 20*s, 50)), nil, []float64{10, 20}},
		{"a source that slows down", slices.Concat(every(100*ms, 0, 50), every(3*s, 8*s, 10)), nil, nil},
		{"and speeds up", slices.Concat(every(3*s, 0, 10), every(100*ms, 30*s, 50)), nil, nil},
		{"a slow source", every(60*s, 0, 5), nil, nil},
		{"two readings alone are not joined", every(60*s, 0, 2), nil, []float64{60}},
		{"damage", slices.Concat(every(100*ms, 0, 50), every(100*ms, 9*s, 50)), map[int]error{50: lost}, []float64{9}},
	} {
		t.Run(row.name, func(t *testing.T) {
			g := given{meta: store.Meta{Channels: []store.Channel{linear("p")}}, samples: row.samples, errs: row.errs}
			p := ask(t, New(Options{}), g, Request{Points: 1000})
			assert.Equal(t, row.want, breaks(p.Series[0]))
			assert.Len(t, p.Series[0].Columns, len(row.samples))
			if row.errs == nil {
				assert.Empty(t, p.Damage)
			} else {
				assert.Regexp(t, "^readings are lost in 1 places?, the first: .*torn", p.Damage)
			}
		})
	}
}

// What the session recorded as a gap breaks the lines of its source, however seldom that is read, and of no other.
func TestRecordedGapsAreGaps(t *testing.T) {
	const s = time.Second
	event := func(kind, source string, from, until time.Duration) store.Event {
		return store.Event{Kind: kind, Source: source, At: from, Until: until}
	}
	for _, row := range []struct {
		name   string
		events []store.Event
		analog []float64
		car    []float64
	}{
		{"none", nil, nil, nil},
		{"of the car", []store.Event{event("gap", store.SourceCar, 21*s, 24*s)}, nil, []float64{25}},
		{"from one reading to the next", []store.Event{event("gap", store.SourceCar, 20*s, 25*s)}, nil, []float64{25}},
		{"of the input, with a stray reading in it", []store.Event{event("gap", "p", 22*s, 28*s)}, []float64{25, 30}, nil},
		{"of an input that never was", []store.Event{event("gap", "q", 0, 100*s)}, nil, nil},
		{"of all, and two of them", []store.Event{event("gap", store.SourceRecorder, 31*s, 34*s), event("pause", "", 21*s, 24*s)}, []float64{25, 35}, []float64{25, 35}},
		{"a mark", []store.Event{event("mark", "", 21*s, 24*s)}, nil, nil},
		{"still open", []store.Event{event("gap", store.SourceCar, 45*s, store.StillOpen)}, nil, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			g := given{meta: store.Meta{Events: row.events, Channels: []store.Channel{linear("p"), {OBD: &store.OBDChannel{Service: 1, PID: 0x51, From: 0x7E8, Bytes: 1}}}}}
			for i := range 10 {
				at := time.Duration(i) * 5 * s
				g.samples = append(g.samples, store.Sample{At: at, Code: int64(i)}, store.Sample{At: at, Channel: 1, Code: 1})
			}
			p := ask(t, New(Options{}), g, Request{})
			fuel := slices.IndexFunc(p.Series, func(s Series) bool { return s.Channel != "p" })
			assert.Equal(t, row.analog, breaks(p.Series[1-fuel]))
			assert.Equal(t, row.car, breaks(p.Series[fuel]))
			assert.Len(t, p.Series[fuel].Steps, len(row.car)+1, "a status does not go on over a gap")
		})
	}
}

func breaks(s Series) (at []float64) {
	for _, c := range s.Columns {
		if c.Break {
			at = append(at, c.At)
		}
	}
	return at
}

// A gap shows in columns too, on the way from every reading to coarse columns.
func TestGapsInColumns(t *testing.T) {
	g := given{meta: store.Meta{Channels: []store.Channel{linear("p")}},
		samples: slices.Concat(every(10*ms, 0, 20000), every(10*ms, 300*time.Second, 20000))}
	for _, limit := range []int{0, 40 << 10} {
		s := ask(t, New(Options{Limit: limit}), g, Request{Points: 100}).Series[0]
		require.Positive(t, s.Width)
		got := breaks(s)
		require.Len(t, got, 1)
		assert.InDelta(t, 300, got[0], s.Width)
		for _, c := range s.Columns {
			assert.False(t, c.At > 200 && c.At+s.Width <= 300, "nothing in the gap")
		}
	}
}
