package derive

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

// atRate reads a session filtered, twice, and gives its values.
func atRate(t *testing.T, g given, rate float64) (s *Session, got []Value) {
	t.Helper()
	s, err := NewWith(g, Options{Rate: rate})
	require.NoError(t, err)
	for again := range 2 {
		var values []Value
		for v, err := range s.Values() {
			require.NoError(t, err)
			values = append(values, v)
		}
		if again == 1 {
			require.Equal(t, got, values, "reading twice gives the same")
		}
		got = values
	}
	require.True(t, slices.IsSortedFunc(got, func(a, b Value) int { return cmp.Compare(a.At, b.At) }), "in the order of instants")
	return s, got
}

// inMillivolts is a reading of wide or of a linear input, every ms of a second.
func inMillivolts(t *testing.T, n int, every time.Duration, millivolts func(i int) int64) (all []store.Sample) {
	for i := range n {
		all = append(all, store.Sample{At: time.Duration(i) * every, Half: 2 * ms, Code: millivolts(i)})
	}
	return all
}

// Means of 10 readings each, worked out by hand: volts and λ of the same readings at the middle of their instants, the law kept.
func TestInputsAreAveraged(t *testing.T) {
	g := given{meta: store.Meta{Fuel: store.Fuel{Name: "E10", AFRst: 14}, Channels: []store.Channel{wide("w")}},
		samples: inMillivolts(t, 30, 10*ms, func(i int) int64 { return 2500 + int64(i%10) + 100*int64(i/10) })}
	s, got := atRate(t, g, 10)
	require.Len(t, got, 9)
	for cell := range 3 {
		volts := 2.5045 + 0.1*float64(cell)
		for i, want := range []float64{volts, 0.65 + (volts-0.5)*0.175, 14 * (0.65 + (volts-0.5)*0.175)} {
			v := got[3*cell+i]
			assert.InDelta(t, want, v.Number, 1e-9)
			assert.Equal(t, time.Duration(cell)*100*ms+45*ms, v.At)
			assert.Equal(t, 2*ms, v.Half)
		}
	}
	for _, c := range s.Channels() {
		assert.Contains(t, c.Description, "spikes dropped and averaged to 10 a second")
	}
}

func TestFilteredStates(t *testing.T) {
	warming := func(all []store.Sample, from, to int) []store.Sample {
		for i := from; i < to; i++ {
			all[i].Flags |= store.Warming
		}
		return all
	}
	level := func(levels ...int64) func(int) int64 { // 20 readings each
		return func(i int) int64 { return levels[min(i/20, len(levels)-1)] }
	}
	type row struct {
		at    time.Duration
		state string
		n     float64
	}
	for _, c := range []struct {
		name    string
		samples []store.Sample
		want    []row // of the volts
		lambdas int
	}{
		{"a state that ends within a cell ends the mean", warming(inMillivolts(t, 40, 10*ms, level(5000, 2500)), 0, 20),
			[]row{{45 * ms, Warming, 5}, {145 * ms, Warming, 5}, {245 * ms, "", 2.5}, {345 * ms, "", 2.5}}, 2},
		{"a fuel cut's edge", inMillivolts(t, 60, 10*ms, func(i int) int64 {
			if i >= 25 && i < 44 {
				return 4500
			}
			return 2500
		}), []row{{45 * ms, "", 2.5}, {145 * ms, "", 2.5}, {220 * ms, "", 2.5}, {270 * ms, HighLimit, 4.5}, {345 * ms, HighLimit, 4.5}, {415 * ms, HighLimit, 4.5}, {465 * ms, "", 2.5}, {545 * ms, "", 2.5}}, 5},
		{"a spike beyond the scale is no state", inMillivolts(t, 20, 10*ms, func(i int) int64 {
			if i == 13 {
				return 4900
			}
			return 2500
		}), []row{{45 * ms, "", 2.5}, {146666667 * time.Nanosecond, "", 2.5}}, 2},
		{"a gap is left as it is", append(inMillivolts(t, 10, 10*ms, level(2500)), store.Sample{At: 3 * time.Second, Code: 2500}, store.Sample{At: 3*time.Second + 10*ms, Code: 3000}),
			[]row{{45 * ms, "", 2.5}, {3005 * ms, "", 2.75}}, 2},
		{"fewer readings than asked for", inMillivolts(t, 3, time.Second, level(2500)),
			[]row{{0, "", 2.5}, {time.Second, "", 2.5}, {2 * time.Second, "", 2.5}}, 3},
		{"one reading", inMillivolts(t, 1, ms, level(2500)), []row{{0, "", 2.5}}, 1},
		{"none", nil, nil, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, got := atRate(t, given{meta: store.Meta{Channels: []store.Channel{wide("w")}}, samples: c.samples}, 10)
			var rows []row
			lambdas := 0
			for _, v := range got {
				if s.Channels()[v.Channel].Kind == Volts {
					rows = append(rows, row{v.At, v.State, math.Round(v.Number*1e6) / 1e6})
				} else {
					lambdas++
				}
			}
			assert.Equal(t, c.want, rows)
			assert.Equal(t, c.lambdas, lambdas)
		})
	}
}

// What other sources read stays as it is and in its place.
func TestOtherChannelsAreNotFiltered(t *testing.T) {
	linear := store.Channel{Name: "oil", Analog: &store.AnalogChannel{Kind: "linear", Unit: "kPa", ScaleMillivolts: 1, Divider: 1, High: store.Point{Volts: 5, Value: 1000}}}
	var samples []store.Sample
	for i := range 400 {
		at := time.Duration(i) * 10 * ms
		samples = append(samples, store.Sample{At: at, Half: ms, Code: 2500}, store.Sample{At: at + 2*ms, Channel: 1, Code: 1000 + int64(i/100)})
		if i%7 == 0 {
			samples = append(samples, store.Sample{At: at + 3*ms, Half: 20 * ms, Channel: 2, Code: 0x1AF8 + int64(i)})
		}
	}
	g := given{meta: store.Meta{Channels: []store.Channel{wide("w"), linear, parameter(0x7E8, 0x0C, 2, 0)}}, samples: samples}
	s, got := atRate(t, g, 5)
	count := map[string]int{}
	for _, v := range got {
		c := s.Channels()[v.Channel]
		if c.Kind == OBD {
			require.Equal(t, float64(0x1AF8+count[c.Name]*7)/4, v.Number)
			require.Equal(t, 20*ms, v.Half)
		}
		count[c.Name]++
	}
	assert.Equal(t, map[string]int{"RPM": 58, "w": 20, "w lambda": 20, "oil": 20}, count)
}

// Noise goes down with the square root of the readings, and spikes leave no trace.
func TestFilteringNoise(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	var samples []store.Sample
	for i := range 10000 {
		code := 25000 + 50*r.NormFloat64() // 0.1 mV a code: 5 mV
		if i%137 == 50 {
			code = 500
		}
		samples = append(samples, store.Sample{At: time.Duration(i) * 4 * ms, Code: int64(code)})
	}
	c := wide("w")
	c.Analog.ScaleMillivolts = 0.1
	s, got := atRate(t, given{meta: store.Meta{Channels: []store.Channel{c}}, samples: samples}, 10)
	n, squares := 0, 0.0
	for _, v := range got {
		if s.Channels()[v.Channel].Kind == Volts {
			n, squares = n+1, squares+(v.Number-2.5)*(v.Number-2.5)
		}
	}
	assert.Equal(t, 400, n)
	assert.InDelta(t, 0.001, math.Sqrt(squares/float64(n)), 0.0002, "5 mV over 25 readings")
}

func TestFilteredErrorsComeThrough(t *testing.T) {
	broken := errors.New("broken")
	s, err := NewWith(given{meta: store.Meta{Channels: []store.Channel{wide("w")}}, samples: inMillivolts(t, 40, 10*ms, func(int) int64 { return 2500 }), err: broken}, Options{Rate: 10})
	require.NoError(t, err)
	values := 0
	var errs []error
	for _, err := range s.Values() {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		values++
	}
	assert.Equal(t, []error{broken}, errs)
	assert.Equal(t, 8, values)
	for range s.Values() {
		break // and it can be left
	}
	for _, err := range s.Values() {
		if err == nil {
			break
		}
	}
}

func BenchmarkFiltered(b *testing.B) {
	var samples []store.Sample
	for i := range 60000 {
		samples = append(samples, store.Sample{At: time.Duration(i) * 10 * ms, Code: 2500 + int64(i%7)})
	}
	for _, rate := range []float64{0, 10} {
		b.Run(fmt.Sprintf("%v a second", rate), func(b *testing.B) {
			s, err := NewWith(given{meta: store.Meta{Channels: []store.Channel{wide("w")}}, samples: samples}, Options{Rate: rate})
			require.NoError(b, err)
			b.ReportAllocs()
			for b.Loop() {
				for range s.Values() {
				}
			}
		})
	}
}
