package plot

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
)

// heated is an input that warms up for two seconds, tells λ for three, reports a fault for one and tells λ again; beside
// it a status that changes, and an engine speed that falls silent.
func heated() given {
	g := given{meta: store.Meta{Channels: []store.Channel{
		{Name: "wb", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: 1,
			Low: store.Point{Volts: 0, Value: 0.5}, High: store.Point{Volts: 5, Value: 1.5}}},
		{OBD: &store.OBDChannel{Service: 1, PID: 0x51, From: 0x7E8, Bytes: 1}},
		{OBD: &store.OBDChannel{Service: 1, PID: 0x0C, From: 0x7E8, Bytes: 2}},
	}}}
	for i := range 80 {
		at := time.Duration(i) * 100 * ms
		s := store.Sample{At: at, Code: 2000 + int64(i)}
		switch {
		case i < 20:
			s.Flags = store.Warming
		case i >= 50 && i < 60:
			s.Flags = store.Fault
		}
		g.samples = append(g.samples, s)
		if i%5 == 0 {
			fuel := int64(1)
			if i >= 40 {
				fuel = 4
			}
			g.samples = append(g.samples, store.Sample{At: at + ms, Channel: 1, Code: fuel})
		}
		if i < 10 || i >= 50 {
			g.samples = append(g.samples, store.Sample{At: at + 2*ms, Channel: 2, Code: 4000})
		}
	}
	return g
}

func series(t *testing.T, p Plot, name string) Series {
	t.Helper()
	i := slices.IndexFunc(p.Series, func(s Series) bool { return s.Channel == name })
	require.GreaterOrEqual(t, i, 0, name)
	return p.Series[i]
}

func TestStatesAndSteps(t *testing.T) {
	p := ask(t, New(Options{}), heated(), Request{})
	nan := math.NaN()
	states := []Span{{From: 0, To: 2, Number: nan, State: derive.Warming}, {From: 5, To: 6, Number: nan, State: derive.Fault}}
	for _, name := range []string{"wb", "wb lambda"} {
		got := series(t, p, name).States
		require.Len(t, got, 2)
		for i := range got {
			assert.Equal(t, [3]any{states[i].From, states[i].To, states[i].State}, [3]any{got[i].From, got[i].To, got[i].State}, name)
		}
	}
	lambda := series(t, p, "wb lambda")
	assert.Len(t, lambda.Columns, 50, "none while it warms up or reports a fault")
	assert.Equal(t, []float64{6}, breaks(lambda))
	assert.Len(t, series(t, p, "wb").Columns, 80)
	assert.Empty(t, breaks(series(t, p, "wb")))
	assert.Equal(t, []float64{5.002}, breaks(series(t, p, "RPM")))

	steps := series(t, p, "FUEL_TYP").Steps
	require.Len(t, steps, 2)
	assert.Equal(t, [3]float64{0.001, 4.001, 1}, [3]float64{steps[0].From, steps[0].To, steps[0].Number})
	assert.Equal(t, [3]float64{4.001, 7.501, 4}, [3]float64{steps[1].From, steps[1].To, steps[1].Number})
	assert.NotEmpty(t, steps[0].Text)
	assert.NotEqual(t, steps[0].Text, steps[1].Text)
	assert.Empty(t, series(t, p, "FUEL_TYP").States)
}

// One reading without λ is enough for the line to break, however short that is against a gap.
func TestAStateBreaksTheLine(t *testing.T) {
	g := heated()
	g.samples = nil
	for i := range 30 {
		s := store.Sample{At: time.Duration(i) * 100 * ms, Code: 2000}
		if i == 15 {
			s.Flags = store.Fault
		}
		g.samples = append(g.samples, s)
	}
	assert.Equal(t, []float64{1.6}, breaks(series(t, ask(t, New(Options{}), g, Request{}), "wb lambda")))
}

// A status that changes with every reading is thinned out for an answer, and as it is kept.
func TestRestlessStatesAreBounded(t *testing.T) {
	g := heated()
	g.samples = nil
	for i := range 100000 {
		s := store.Sample{At: time.Duration(i) * 10 * ms, Code: 2000}
		if i%2 == 0 {
			s.Flags = store.Fault
		}
		g.samples = append(g.samples, s)
	}
	c := New(Options{})
	s := series(t, ask(t, c, g, Request{Points: 100}), "wb lambda")
	assert.LessOrEqual(t, len(s.States), 100)
	assert.Greater(t, len(s.States), 20)
	assert.LessOrEqual(t, len(c.entries["a"].whole.tracks[1].runs.list)+len(c.entries["a"].whole.tracks[2].runs.list), 2*mostRuns)
}

func TestJSON(t *testing.T) {
	p := ask(t, New(Options{}), heated(), Request{Channels: []string{"wb lambda", "FUEL_TYP", "RPM"}, From: 4700 * ms, To: 6200 * ms})
	want := `{"from":4.7,"to":6.2,"first":0,"last":7.902,"series":[
		{"channel":"wb lambda","description":"wb, λ","unit":"1","decimals":4,"width":0,"states":[[5,6,"fault"]],
			"columns":[[4.6,0.9092],[4.7,0.9094],[4.8,0.9096],[4.9,0.9098],null,[6,0.912],[6.1,0.9122],[6.2,0.9124]]},
		{"channel":"FUEL_TYP","description":"Type of fuel currently being utilized by the vehicle","unit":"","decimals":-1,"width":0,
			"steps":[[4.001,7.501,4,"TEXT"]],"columns":[[4.501,4],[5.001,4],[5.501,4],[6.001,4],[6.501,4]]},
		{"channel":"RPM","description":"Engine RPM","unit":"1/min","decimals":-1,"width":0,
			"columns":[[0.902,1000],null,[5.002,1000],[5.102,1000]]}]}`
	p.Series[1].Description, p.Series[2].Description = "Type of fuel currently being utilized by the vehicle", "Engine RPM"
	require.Len(t, p.Series[1].Steps, 1)
	p.Series[1].Steps[0].Text = "TEXT"
	require.Greater(t, len(p.Series[2].Columns), 3)
	p.Series[2].Columns = p.Series[2].Columns[:3]
	text, err := json.Marshal(p)
	require.NoError(t, err)
	assert.JSONEq(t, want, string(text))

	text, err = json.Marshal(Plot{Damage: "torn", Series: []Series{{Width: 2, Columns: []Column{{At: 2, Min: -1e-9, Max: 1e22, Last: 3}},
		States: []Span{{To: 1, State: "fault"}}, Steps: []Span{{Number: math.NaN(), State: "not available", step: true}}}}})
	require.NoError(t, err)
	assert.JSONEq(t, `{"from":0,"to":0,"first":0,"last":0,"damage":"torn","series":[{"channel":"","description":"","unit":"","decimals":0,
		"width":2,"columns":[[2,-1e-9,1e22]],"states":[[0,1,"fault"]],"steps":[[0,0,null,"not available"]]}]}`, string(text))
}
