package derive

import (
	"errors"
	"iter"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
	"underdash/store/storetest"
)

const ms = time.Millisecond

// given is a session that was never stored.
type given struct {
	meta    store.Meta
	samples []store.Sample
	err     error // comes after the first sample
}

func (g given) Meta() store.Meta { return g.meta }

func (g given) Samples() iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		for i, s := range g.samples {
			if i == 1 && g.err != nil && !yield(store.Sample{}, g.err) {
				return
			}
			if !yield(s, nil) {
				return
			}
		}
	}
}

func parameter(from uint32, p byte, bytes, part int) store.Channel {
	return store.Channel{Name: "stored", OBD: &store.OBDChannel{Service: 1, PID: p, From: from, Bytes: bytes, Part: part}}
}

// wide is a wideband input of 1 V a code with the law 0.5 V = λ 0.65, 4.5 V = λ 1.35, so 2.5 V is λ 1 and a volt 0.175.
func wide(name string) store.Channel {
	return store.Channel{Name: name, Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: 1,
		Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}}}
}

// named is one value as tests like to see it.
type named struct {
	name   string
	number float64
	state  string
	text   string
}

func derive(t *testing.T, g given) (s *Session, got []named) {
	t.Helper()
	s, err := New(g)
	require.NoError(t, err)
	for v, err := range s.Values() {
		require.NoError(t, err)
		got = append(got, named{s.Channels()[v.Channel].Name, v.Number, v.State, v.Text})
	}
	return s, got
}

func names(s *Session) (all []string) {
	for _, c := range s.Channels() {
		n := c.Name
		if c.Unit != "" {
			n += " [" + c.Unit + "]"
		}
		all = append(all, n)
	}
	return all
}

// The formulas are SAE J1979's as published widely: 0C is (256A+B)/4 1/min, 0D is A km/h, 05 is A−40 °C,
// 03 is a bit field in which 2 is closed loop by the oxygen sensor.
func TestParametersBecomeQuantities(t *testing.T) {
	for _, row := range []struct {
		name    string
		channel store.Channel
		code    int64
		want    []named
	}{
		{"engine speed", parameter(0x7E8, 0x0C, 2, 0), 0x1AF8, []named{{"RPM", 1726, "", ""}}},
		{"vehicle speed", parameter(0x7E8, 0x0D, 1, 0), 0x32, []named{{"VSS", 50, "", ""}}},
		{"coolant below zero", parameter(0x7E8, 0x05, 1, 0), 0x1E, []named{{"ECT", -10, "", ""}}},
		{"a state has a number and words", parameter(0x7E8, 0x51, 1, 0), 1, []named{{"FUEL_TYP", 1, "", enumText(t, 0x51, 1)}}},
		{"a bitmap", parameter(0x7E8, 0x00, 4, 0), 0xBE1FA813, []named{{"PIDS_00", 0xBE1FA813, "", enumText(t, 0, 0xBE, 0x1F, 0xA8, 0x13)}}},
		{"a parameter that is not in the table", parameter(0x7E8, 0xFE, 1, 0), 1, nil},
		{"an answer of the wrong length", parameter(0x7E8, 0x0C, 3, 0), 1, nil},
		{"a service that has no derived values", store.Channel{OBD: &store.OBDChannel{Service: 9, PID: 2, From: 1, Bytes: 8}}, 1, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{row.channel}}, samples: []store.Sample{{Code: row.code}}})
			assert.Equal(t, row.want, got)
			assert.Len(t, s.Channels(), len(row.want))
		})
	}
}

func enumText(t *testing.T, p obd.PID, data ...byte) string {
	t.Helper()
	v, err := pid.Decode(p, data, pid.Context{}, nil)
	require.NoError(t, err)
	require.NotEmpty(t, v[0].Text)
	return v[0].Text
}

func TestOtherComputersGetTheirAddress(t *testing.T) {
	for _, row := range []struct {
		name     string
		channels []store.Channel
		want     []string
	}{
		{"the engine is who tells engine speed", []store.Channel{
			parameter(0x7E9, 0x0D, 1, 0), parameter(0x7EA, 0x0C, 2, 0), parameter(0x7EA, 0x0D, 1, 0)},
			[]string{"RPM [1/min]", "VSS [km/h]", "VSS@7E9 [km/h]"}},
		{"of two the lowest address", []store.Channel{parameter(0x7E9, 0x0C, 2, 0), parameter(0x7E8, 0x0C, 2, 0)},
			[]string{"RPM [1/min]", "RPM@7E9 [1/min]"}},
		{"nobody tells it", []store.Channel{parameter(0x18DAF118, 0x0D, 1, 0), parameter(0x18DAF110, 0x0D, 1, 0)},
			[]string{"VSS [km/h]", "VSS@18DAF118 [km/h]"}},
		{"an acronym of two parameters", []store.Channel{parameter(0x7E8, 0x23, 2, 0), parameter(0x7E8, 0x22, 2, 0), parameter(0x7E9, 0x23, 2, 0)},
			[]string{"FRP [kPa]", "FRP (23) [kPa]", "FRP@7E9 [kPa]"}},
		{"an input called like a parameter", []store.Channel{
			{Name: "RPM", Analog: &store.AnalogChannel{Kind: "linear", Unit: "V", High: store.Point{Volts: 1, Value: 1}}}, parameter(0x7E8, 0x0C, 2, 0)},
			[]string{"RPM [1/min]", "RPM (RPM) [V]"}},
		{"trims of a car with two banks", []store.Channel{parameter(0x7E8, 0x06, 1, 0)}, []string{"SHRTFT1 [%]"}},
		{"trims of a car with four", []store.Channel{parameter(0x7E8, 0x06, 2, 0)}, []string{"SHRTFT1 [%]", "SHRTFT3 [%]"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, err := New(given{meta: store.Meta{Channels: row.channels}})
			require.NoError(t, err)
			assert.Equal(t, row.want, names(s))
		})
	}
}

// The parts of a long payload must give what the whole payload gives.
func TestPartsAreJoined(t *testing.T) {
	var long pid.Parameter
	for _, p := range pid.All() {
		if p.Bytes > 8 && p.Bytes <= 16 {
			long = p
		}
	}
	require.NotZero(t, long.PID, "the table has long parameters")
	data := make([]byte, long.Bytes)
	for i := range data {
		data[i] = byte(0xFF - i)
	}
	plain, err := pid.Decode(long.PID, data, pid.Context{}, nil)
	require.NoError(t, err)
	number := func(b []byte) (v int64) {
		for _, x := range b {
			v = v<<8 | int64(x)
		}
		return v
	}
	part := func(n uint16, at time.Duration) store.Sample {
		return store.Sample{At: at, Half: ms, Channel: n, Code: number(data[n*8 : min(len(data), int(n+1)*8)])}
	}
	meta := store.Meta{Channels: []store.Channel{
		parameter(0x7E8, byte(long.PID), 8, 0), parameter(0x7E8, byte(long.PID), long.Bytes-8, 1)}}
	for _, row := range []struct {
		name    string
		samples []store.Sample
		times   int
	}{
		{"both", []store.Sample{part(0, ms), part(1, ms)}, 1},
		{"twice", []store.Sample{part(0, ms), part(1, ms), part(0, 2*ms), part(1, 2*ms)}, 2},
		{"the first alone", []store.Sample{part(0, ms)}, 0},
		{"the second alone", []store.Sample{part(1, ms)}, 0},
		{"the second of another instant", []store.Sample{part(0, ms), part(1, 2*ms)}, 0},
		{"a second too many", []store.Sample{part(0, ms), part(1, ms), part(1, ms)}, 1},
		{"a lost second, then both", []store.Sample{part(0, ms), part(0, 2*ms), part(1, 2*ms)}, 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			s, err := New(given{meta: meta, samples: row.samples})
			require.NoError(t, err)
			for range 2 { // reading twice gives the same
				var numbers []float64
				for v, err := range s.Values() {
					require.NoError(t, err)
					numbers = append(numbers, v.Number)
				}
				require.Len(t, numbers, row.times*len(plain))
				for i, n := range numbers {
					if want := plain[i%len(plain)]; want.State != pid.NotAvailable {
						assert.Equal(t, want.Number, n, long.Signals[want.Index].Acronym)
					}
				}
			}
		})
	}
}

// SAE J1979: 4F.A tells the full scale of λ in 24. With 4F.A = 4 a raw 8000h is 4·32768/65535.
func TestStaticAnswersSetTheScales(t *testing.T) {
	meta := store.Meta{
		Channels: []store.Channel{parameter(0x7E8, 0x24, 4, 0), parameter(0x7E9, 0x24, 4, 0)},
		Static: []store.Static{
			{From: 0x7E8, Service: 1, PID: 0x4F, Payload: []byte{0x41, 0x4F, 4, 0, 0, 0}},
			{From: 0x7E8, Service: 9, PID: 0x02, Payload: []byte{0x49, 0x02, 1, 'X'}},
			{From: 0x7E8, Service: 1, PID: 0x50, Payload: []byte{0x7F}},
		},
	}
	_, got := derive(t, given{meta: meta, samples: []store.Sample{{Code: 0x80004000}, {Channel: 1, Code: 0x80004000}}})
	require.Len(t, got, 4)
	assert.InDelta(t, 4*32768.0/65535, got[0].number, 1e-12)
	assert.InDelta(t, 2*32768.0/65535, got[2].number, 1e-4, "the other computer keeps the default scale of 2")
}

// The expected λ are worked by hand from the two points: λ = 0.65 + (V − 0.5)·0.175, V = seen / gain.
func TestWideband(t *testing.T) {
	meta := func(c ...store.Calibration) store.Meta {
		return store.Meta{Channels: []store.Channel{wide("wideband")}, Calibrations: c, Fuel: store.Fuel{Name: "E10", AFRst: 14}}
	}
	meta430, top := meta(), 4.3
	meta430.Channels[0].Analog.TopVolts = &top
	found := store.Calibration{Input: "wideband", At: time.Minute, Gain: 0.97, Method: "warm-up level"}
	for _, row := range []struct {
		name  string
		meta  store.Meta
		code  int64
		flags store.Flags
		want  []named
	}{
		{"no calibration", meta(), 2500, 0, []named{{"wideband", 2.5, "", ""}, {"wideband lambda", 1, "", ""}, {"wideband AFR", 14, "", ""}}},
		{"found in the warm-up, in force from the start", meta(found), 2425, 0, []named{{"wideband", 2.425, "", ""}, {"wideband lambda", 1, "", ""}, {"wideband AFR", 14, "", ""}}},
		{"the last of the session", meta(store.Calibration{Input: "wideband", Gain: 0.5}, found, store.Calibration{Input: "other", At: time.Hour, Gain: 0.5}), 2425, 0,
			[]named{{"wideband", 2.425, "", ""}, {"wideband lambda", 1, "", ""}, {"wideband AFR", 14, "", ""}}},
		{"with an offset", meta(store.Calibration{Input: "wideband", Gain: 1, Offset: 0.1}), 2600, 0,
			[]named{{"wideband", 2.6, "", ""}, {"wideband lambda", 1, "", ""}, {"wideband AFR", 14, "", ""}}},
		{"warming up says nothing", meta(found), 4850, store.Warming, []named{{"wideband", 4.85, Warming, ""}}},
		{"not even at a likely level", meta(), 2500, store.Warming | store.AtLimit, []named{{"wideband", 2.5, Warming, ""}}},
		{"at the lean end", meta(found), 4360, store.AtLimit, []named{{"wideband", 4.36, HighLimit, ""}}},
		{"at the rich end", meta(found), 490, store.AtLimit, []named{{"wideband", 0.49, LowLimit, ""}}},
		{"beyond the lean end by this calibration", meta(found), 4400, 0, []named{{"wideband", 4.4, HighLimit, ""}}},
		{"nothing drives the input", meta(), 3, store.Disconnected, []named{{"wideband", 0.003, Disconnected, ""}}},
		{"a converter that stands still", meta(), 2500, store.Stuck, []named{{"wideband", 2.5, Stuck, ""}}},
		{"off the scale", meta(), 4990, store.Fault, []named{{"wideband", 4.99, Fault, ""}}},
		{"beyond the rich end", meta(), 400, 0, []named{{"wideband", 0.4, LowLimit, ""}}},
		{"at a top below the law's end", meta430, 4300, store.AtLimit, []named{{"wideband", 4.3, HighLimit, ""}}},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, got := derive(t, given{meta: row.meta, samples: []store.Sample{{Code: row.code, Flags: row.flags}}})
			require.Len(t, got, len(row.want))
			for i, w := range row.want {
				assert.InDelta(t, w.number, got[i].number, 1e-9)
				got[i].number = w.number
			}
			assert.Equal(t, row.want, got)
		})
	}
}

func TestAFallingLaw(t *testing.T) {
	c := wide("w")
	c.Analog.Low.Value, c.Analog.High.Value = 1.35, 0.65
	_, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{c}}, samples: []store.Sample{
		{Code: 500, Flags: store.AtLimit}, {Code: 4500, Flags: store.AtLimit}, {Code: 1500}}})
	require.Len(t, got, 4)
	assert.Equal(t, HighLimit, got[0].state)
	assert.Equal(t, LowLimit, got[1].state)
	assert.InDelta(t, 1.175, got[3].number, 1e-9)
}

func TestTwoWidebandsAndNoFuel(t *testing.T) {
	s, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{wide("bank 1"), wide("bank 2")},
		Calibrations: []store.Calibration{{Input: "bank 2", Gain: 0.5}}}, samples: []store.Sample{{Code: 1250}, {Channel: 1, Code: 1250}}})
	assert.Equal(t, []string{"bank 1 [V]", "bank 1 lambda [1]", "bank 2 [V]", "bank 2 lambda [1]"}, names(s))
	require.Len(t, got, 4)
	assert.InDelta(t, 0.78125, got[1].number, 1e-9)
	assert.InDelta(t, 1, got[3].number, 1e-9)
}

// A fuel that the session only names is looked up; petrol's 14.7 is the US Department of Energy's figure.
func TestFuelByName(t *testing.T) {
	_, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{wide("w")}, Fuel: store.Fuel{Name: "petrol"}}, samples: []store.Sample{{Code: 2500}}})
	require.Len(t, got, 3)
	assert.InDelta(t, 14.7, got[2].number, 1e-9)
}

// An input that comes back with another scale goes on as the same quantity.
func TestTheSameInputTwice(t *testing.T) {
	again := wide("w")
	again.Analog.ScaleMillivolts = 0.5
	s, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{wide("w"), again}}, samples: []store.Sample{{Code: 2500}, {Channel: 1, Code: 5000}}})
	assert.Equal(t, []string{"w [V]", "w lambda [1]"}, names(s))
	require.Len(t, got, 4)
	assert.InDelta(t, got[1].number, got[3].number, 1e-12)
}

func TestLinear(t *testing.T) {
	c := store.Channel{Name: "oil", Analog: &store.AnalogChannel{Kind: "linear", Unit: "kPa", ScaleMillivolts: 0.125, OffsetCodes: 8, Divider: 2,
		Low: store.Point{Volts: 0.5, Value: 0}, High: store.Point{Volts: 4.5, Value: 1000}}}
	s, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{c}}, samples: []store.Sample{{Code: 9992}}})
	assert.Equal(t, []string{"oil [kPa]"}, names(s))
	require.Len(t, got, 1)
	assert.InDelta(t, 500, got[0].number, 1e-9, "10 000 codes are 1.25 V at the converter, 2.5 V at the plug, half way")
	assert.Equal(t, 3, s.Channels()[0].Decimals, "a code is 0.0625 kPa")
}

func TestWhatCannotBeDerived(t *testing.T) {
	for _, row := range []struct {
		name    string
		channel store.Channel
		text    string
	}{
		{"no line", store.Channel{Name: "w", Analog: &store.AnalogChannel{Kind: "wideband"}}, `channel "w": its two points`},
		{"an unknown kind", store.Channel{Name: "w", Analog: &store.AnalogChannel{Kind: "narrowband", High: store.Point{Volts: 1, Value: 1}}}, `its kind is "narrowband"`},
		{"a part without the first", parameter(1, 0x0C, 2, 1), "part 1 of a payload without the parts before it"},
		{"a part too long", parameter(1, 0x0C, 9, 0), "a part of 9 bytes"},
		{"a part of nothing", parameter(1, 0x0C, 0, 0), "a part of 0 bytes"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := New(given{meta: store.Meta{Channels: []store.Channel{row.channel}}})
			assert.ErrorContains(t, err, row.text)
		})
	}
	s, err := New(given{samples: []store.Sample{{Channel: 3}}})
	require.NoError(t, err)
	for _, err := range s.Values() {
		assert.ErrorContains(t, err, "a reading of channel 3, the session has 0 channels")
	}
}

func TestValuesComeInTheOrderOfInstants(t *testing.T) {
	at := func(s ...time.Duration) (all []store.Sample) {
		for i, a := range s {
			all = append(all, store.Sample{At: a, Code: int64(i)})
		}
		return all
	}
	s := time.Second
	for _, row := range []struct {
		name string
		in   []store.Sample
		want []time.Duration
	}{
		{"an answer that was slow", at(1*s, 2*s, 3*s, 1500*ms, 4*s), []time.Duration{1 * s, 1500 * ms, 2 * s, 3 * s, 4 * s}},
		{"before the start", at(0, -1*s, 1*s), []time.Duration{-1 * s, 0, 1 * s}},
		{"backwards", at(9*s, 8*s, 7*s, 6*s, 5*s), []time.Duration{5 * s, 6 * s, 7 * s, 8 * s, 9 * s}},
		{"later than the window", at(0, 1*s, 30*s, 2*s, 31*s), []time.Duration{0, 1 * s, 2 * s, 30 * s, 31 * s}},
		{"too late", at(0, 20*s, 31*s, 1*s, 32*s), []time.Duration{0, 20 * s, 1 * s, 31 * s, 32 * s}},
	} {
		t.Run(row.name, func(t *testing.T) {
			session, err := New(given{meta: store.Meta{Channels: []store.Channel{parameter(1, 0x0C, 2, 0)}}, samples: row.in})
			require.NoError(t, err)
			var got []time.Duration
			for v, err := range session.Values() {
				require.NoError(t, err)
				got = append(got, v.At)
			}
			assert.Equal(t, row.want, got)
		})
	}
	t.Run("equal instants stay as they came", func(t *testing.T) {
		in := at(make([]time.Duration, 100)...)
		n := int64(0)
		for x := range inOrder(given{samples: in}.Samples()) {
			assert.Equal(t, n, x.Code)
			n++
		}
		assert.Equal(t, int64(100), n)
	})
	t.Run("what is held back is bounded", func(t *testing.T) {
		n, came := 0, 0
		for range inOrder(func(yield func(store.Sample, error) bool) {
			for range windowCount + 1000 {
				n++
				if !yield(store.Sample{}, nil) {
					return
				}
			}
		}) {
			if came++; came == 1 {
				assert.Equal(t, windowCount+1, n)
			}
		}
		assert.Equal(t, windowCount+1000, came)
	})
}

func TestErrorsOfTheSourceComeThrough(t *testing.T) {
	broken := errors.New("broken")
	s, err := New(given{meta: store.Meta{Channels: []store.Channel{parameter(1, 0x0C, 2, 0)}}, samples: []store.Sample{{Code: 4}, {Code: 8}}, err: broken})
	require.NoError(t, err)
	var numbers []float64
	var errs []error
	for v, err := range s.Values() {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		numbers = append(numbers, v.Number)
	}
	assert.Equal(t, []error{broken}, errs)
	assert.Equal(t, []float64{1, 2}, numbers)
	for range s.Values() {
		break
	}
}

func TestMissingMeasurementsAreNotNumbers(t *testing.T) {
	_, got := derive(t, given{meta: store.Meta{Channels: []store.Channel{parameter(1, 0x24, 4, 0)}}, samples: []store.Sample{{Code: 0}, {Code: 0xFFFF8000}}})
	require.Len(t, got, 4)
	assert.Equal(t, NotAvailable, got[0].state)
	assert.True(t, math.IsNaN(got[0].number))
	assert.Equal(t, Saturated, got[2].state)
}

// The whole way: recorded, closed, read.
func TestFromAFile(t *testing.T) {
	path := storetest.Session(t, storetest.Open(t), store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0), wide("w")}},
		[]store.Sample{{At: ms, Code: 0x1AF8}, {At: 2 * ms, Channel: 1, Code: 2500}}, []store.Sample{{At: 3 * ms, Code: 4}})
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, r.Close()) }()
	s, err := New(r)
	require.NoError(t, err)
	var got []float64
	for v, err := range s.Values() {
		require.NoError(t, err)
		got = append(got, v.Number)
	}
	assert.InDeltaSlice(t, []float64{1726, 2.5, 1, 1}, got, 1e-9)
	c, ok := s.Correction("w")
	assert.True(t, ok)
	assert.Equal(t, "none", c.Calibration.Method)
	_, ok = s.Correction("x")
	assert.False(t, ok)
}

func BenchmarkValues(b *testing.B) {
	g := given{meta: store.Meta{Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0), wide("w")}, Fuel: store.Fuel{AFRst: 14.7}}}
	for i := range 10000 {
		g.samples = append(g.samples, store.Sample{At: time.Duration(i) * 10 * ms, Channel: uint16(i & 1), Code: int64(i&0xFFF) + 500})
	}
	s, err := New(g)
	require.NoError(b, err)
	values := 0
	b.ReportAllocs()
	for b.Loop() {
		values = 0
		for range s.Values() {
			values++
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*values), "ns/value")
}
