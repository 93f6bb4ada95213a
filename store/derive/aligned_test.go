package derive

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// steadyDrive is some seconds of a steady engine, told ten times a second, with a wideband read a hundred times a second.
func steadyDrive(seconds int, rpm, flow float64) given {
	g := given{meta: store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0), parameter(0x7E8, 0x10, 2, 0), wide("wideband")}}}
	for i := range 100 * seconds {
		at := time.Duration(i) * 10 * ms
		if i%10 == 0 {
			g.samples = append(g.samples, store.Sample{At: at, Half: 5 * ms, Channel: 0, Code: int64(rpm * 4)},
				store.Sample{At: at, Half: 5 * ms, Channel: 1, Code: int64(flow * 100)})
		}
		g.samples = append(g.samples, store.Sample{At: at, Half: ms, Channel: 2, Code: 2500 + int64(i%50)})
	}
	return g
}

func TestAlignedLambda(t *testing.T) {
	fitted := store.Delay{Input: "wideband", Cycle: 1, Gas: 1.2, Lag: 0.06, Sigma: 0.01, Seen: 30, Method: MethodFitted}
	for _, row := range []struct {
		name  string
		meta  []store.Delay
		o     Options
		model mixture.DelayModel
		bound time.Duration
		says  string
	}{
		{"nothing fitted", nil, Options{Aligned: true}, mixture.DefaultDelay(), seconds(2 * mixture.UnfittedDelay().Sigma), "the default delay, since too little was seen"},
		{"fitted in the session", []store.Delay{fitted}, Options{Aligned: true}, mixture.DelayModel{Cycle: 1, Gas: 1.2, Lag: 0.06}, 20 * ms, "fitted to 30 steps and stretches"},
		{"given", []store.Delay{fitted}, Options{Aligned: true, Delays: map[string]store.Delay{"wideband": {Cycle: 1, Gas: 2, Lag: 0.1, Method: MethodFitted}}},
			mixture.DelayModel{Cycle: 1, Gas: 2, Lag: 0.1}, 0, "fitted"},
		{"averaged", []store.Delay{fitted}, Options{Aligned: true, Rate: 20}, mixture.DelayModel{Cycle: 1, Gas: 1.2, Lag: 0.06}, 20 * ms, "fitted"},
	} {
		t.Run(row.name, func(t *testing.T) {
			g := steadyDrive(4, 800, 2.5)
			g.meta.Delays = row.meta
			s, err := NewWith(g, row.o)
			require.NoError(t, err)
			channel := slices.IndexFunc(s.Channels(), func(c Channel) bool { return c.Kind == Aligned })
			require.GreaterOrEqual(t, channel, 0)
			assert.Equal(t, "wideband lambda aligned", s.Channels()[channel].Name)
			assert.Contains(t, s.Channels()[channel].Description, row.says)
			want := row.model.Total(800, mixture.ExhaustFlow(2.5, 1, 14.4))
			for range 2 { // reading twice gives the same
				var plain, aligned []Value
				last := time.Duration(math.MinInt64)
				for v, err := range s.Values() {
					require.NoError(t, err)
					require.GreaterOrEqual(t, v.At, last, "in order")
					last = v.At
					switch s.Channels()[v.Channel].Kind {
					case Lambda:
						plain = append(plain, v)
					case Aligned:
						aligned = append(aligned, v)
					}
				}
				require.InDelta(t, len(plain), len(aligned), 2)
				if row.o.Rate > 0 {
					continue
				}
				for i := 100; i < len(aligned); i++ { // the flow is not known from the first instant on
					k := i + len(plain) - len(aligned)
					require.InDelta(t, want, (plain[k].At - aligned[i].At).Seconds(), 0.002)
					require.Equal(t, plain[k].Number, aligned[i].Number)
					require.Equal(t, plain[k].Half+row.bound, aligned[i].Half)
				}
			}
		})
	}
}

func TestAlignedNeedsTheEngine(t *testing.T) {
	for _, row := range []struct {
		name string
		keep []int // channels
		want bool
	}{{"speed and flow", []int{0, 1, 2}, true}, {"no flow", []int{0, 2}, false}, {"no speed", []int{1, 2}, false}} {
		t.Run(row.name, func(t *testing.T) {
			g := steadyDrive(1, 800, 2.5)
			var channels []store.Channel
			for _, i := range row.keep {
				channels = append(channels, g.meta.Channels[i])
			}
			s, err := NewWith(given{meta: store.Meta{Channels: channels}}, Options{Aligned: true})
			require.NoError(t, err)
			assert.Equal(t, row.want, slices.ContainsFunc(s.Channels(), func(c Channel) bool { return c.Kind == Aligned }))
		})
	}
	s, err := New(steadyDrive(1, 800, 2.5))
	require.NoError(t, err)
	assert.False(t, slices.ContainsFunc(s.Channels(), func(c Channel) bool { return c.Kind == Aligned }), "not unless asked for")
}

// A standing engine pushes nothing through its pipe.
func TestNothingIsAlignedWithoutFlow(t *testing.T) {
	s, err := NewWith(steadyDrive(2, 0, 0), Options{Aligned: true})
	require.NoError(t, err)
	for v, err := range s.Values() {
		require.NoError(t, err)
		assert.NotEqual(t, Aligned, s.Channels()[v.Channel].Kind)
	}
}

// The ratio follows what the engine's computer says of the fuel: 85 % by volume is 9.82 on petrol of 14.7 (derived), 0 % is 14.7.
func TestFlexFuel(t *testing.T) {
	meta := store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x52, 1, 0), wide("w")}, Fuel: store.Fuel{Name: "E10", AFRst: 14.1, Flex: true}}
	g := given{meta: meta, samples: []store.Sample{
		{At: 0, Channel: 1, Code: 2500}, {At: 1, Channel: 0, Code: 217}, {At: 2, Channel: 1, Code: 2500}, {At: 3, Channel: 0, Code: 0}, {At: 4, Channel: 1, Code: 2500}}}
	s, err := New(g)
	require.NoError(t, err)
	for range 2 {
		var afr []float64
		for v, err := range s.Values() {
			require.NoError(t, err)
			if s.Channels()[v.Channel].Kind == AFR {
				afr = append(afr, v.Number)
			}
		}
		assert.InDeltaSlice(t, []float64{14.1, 9.82, 14.7}, afr, 0.01)
	}
	g.meta.Fuel.Flex = false
	_, got := derive(t, g)
	assert.InDelta(t, 14.1, got[len(got)-1].number, 1e-9, "not unless asked for")
}

func TestQuantity(t *testing.T) {
	c := pid.Context{}
	for _, row := range []struct {
		pid   byte
		index int
		bank  int
		want  mixture.Quantity
		ok    bool
	}{
		{0x0C, 0, 1, mixture.EngineSpeed, true}, {0x34, 0, 1, mixture.OwnLambda, true}, {0x34, 0, 0, mixture.OwnLambda, true}, {0x34, 0, 2, 0, false},
		{0x38, 0, 2, mixture.OwnLambda, true}, {0x38, 0, 1, 0, false}, {0x06, 0, 1, mixture.ShortTrim, true}, {0x06, 0, 2, 0, false}, {0x08, 0, 2, mixture.ShortTrim, true},
		{0x09, 0, 2, mixture.LongTrim, true}, {0x03, 0, 2, mixture.FuelStatus, true}, {0x03, 1, 1, 0, false}, {0x44, 0, 1, mixture.CommandedLambda, true},
		{0x66, 0, 1, mixture.AirFlow, true}, {0x87, 0, 1, mixture.ManifoldPressure, true}, {0x0E, 0, 1, 0, false}, {0x35, 0, 1, 0, false},
	} {
		q, ok := Quantity(obd.PID(row.pid), row.index, c, row.bank)
		assert.Equal(t, row.ok, ok, "%02X, bank %d", row.pid, row.bank)
		if ok {
			assert.Equal(t, row.want, q, "%02X", row.pid)
		}
	}
	c.Banks4 = true
	q, ok := Quantity(0x36, 0, c, 2)
	assert.True(t, ok, "with four banks 36 is the second's")
	assert.Equal(t, mixture.OwnLambda, q)
}
