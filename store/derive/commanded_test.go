package derive

import (
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
)

// declares is an engine computer's word of its full scales (4F), of which the first is λ's.
func declares(from uint32, lambda byte) store.Static {
	return store.Static{From: from, Service: 1, PID: 0x4F, Payload: []byte{0x41, 0x4F, lambda, 0, 0, 0}}
}

// Stored channels of these tests, by number.
const (
	chLoop = iota
	chCoolant
	chCommand
	chSensor
)

var commandChannels = []store.Channel{parameter(0x7E8, 0x03, 2, 0), parameter(0x7E8, 0x05, 1, 0), parameter(0x7E8, 0x44, 2, 0), parameter(0x7E8, 0x34, 4, 0)}

// moment is half a second of a drive.
type moment struct {
	loop    int64 // 03, 0200 is closed loop
	coolant int64 // °C
	command int64 // raw 44
}

func played(m ...moment) (all []store.Sample) {
	for i, x := range m {
		at := time.Duration(i) * 500 * ms
		all = append(all, store.Sample{At: at, Channel: chLoop, Code: x.loop}, store.Sample{At: at, Channel: chCoolant, Code: x.coolant + 40},
			store.Sample{At: at + ms, Channel: chCommand, Code: x.command})
	}
	return all
}

func times(n int, m moment) (all []moment) {
	for range n {
		all = append(all, m)
	}
	return all
}

// A full scale of 32 and commanded λ in default scaling is what real cars of one maker's group send (46 of 229 vehicle
// years of the OBDb collection answer 4F; all their 44s are in default range, many exactly 8000h). SAE J1699-3 would
// apply the 32. Both must come out, by what the warm closed loop shows.
func TestCommandedLambdaFollowsTheClosedLoop(t *testing.T) {
	const closed, open = 0x0200, 0x0100
	for _, row := range []struct {
		name   string
		static []store.Static
		drive  []moment
		raw    int64 // asked about
		want   float64
		state  string
		note   string
	}{
		{"a real car: default scaling", []store.Static{declares(0x7E8, 32)}, times(20, moment{closed, 90, 0x8000}), 0x0CCD, 0x0CCD / 32768.0, "",
			"full scale of 32 for λ; this one is in default scaling, as 20 readings"},
		{"a car by the letter", []store.Static{declares(0x7E8, 32)}, times(20, moment{closed, 90, 0x0800}), 0x0700, 0x0700 * 32 / 65535.0, "",
			"this one follows it, as 20 readings"},
		{"with some enrichment among it", []store.Static{declares(0x7E8, 32)},
			append(times(15, moment{closed, 90, 0x0800}), times(5, moment{closed, 90, 0x0600})...), 0x0700, 0x0700 * 32 / 65535.0, "", "follows it, as 20"},
		{"a cold engine shows nothing", []store.Static{declares(0x7E8, 32)}, times(50, moment{closed, 40, 0x0800}), 0x0800, 0, UnknownScale, "no warm closed loop shows"},
		{"an open loop shows nothing", []store.Static{declares(0x7E8, 32)}, times(50, moment{open, 90, 0x0800}), 0x0800, 0, UnknownScale, "no warm closed loop shows"},
		{"too few readings show nothing", []store.Static{declares(0x7E8, 32)}, times(9, moment{closed, 90, 0x0800}), 0x0800, 0, UnknownScale, "no warm closed loop shows"},
		{"markers show nothing", []store.Static{declares(0x7E8, 32)}, times(50, moment{closed, 90, 0xFFFF}), 0x0800, 0, UnknownScale, "no warm closed loop shows"},
		{"undecided, and it can be but one", []store.Static{declares(0x7E8, 32)}, times(5, moment{closed, 40, 0x8000}), 0x7000, 0x7000 / 32768.0, "", "no warm closed loop shows"},
		{"a scale near the default", []store.Static{declares(0x7E8, 4)}, times(20, moment{closed, 90, 0x4000}), 0x3000, 0x3000 * 4 / 65535.0, "", "follows it"},
		{"no full scale declared", []store.Static{declares(0x7E8, 0)}, times(20, moment{closed, 90, 0x0800}), 0x0800, 0.0625, "", ""},
		{"another computer's word", []store.Static{declares(0x7E9, 32)}, times(20, moment{closed, 90, 0x0800}), 0x0800, 0.0625, "", ""},
		{"listed and not told, default scaling shows", []store.Static{lists(0x7E8)}, times(20, moment{closed, 90, 0x8100}), 0x7000, 0x7000 / 32768.0, "",
			"did not tell them; this one is in default scaling"},
		{"listed and not told, something else shows", []store.Static{lists(0x7E8)}, times(20, moment{closed, 90, 0x0800}), 0x0800, 0, UnknownScale, "it has no value"},
		{"listed and not told, nothing shows", []store.Static{lists(0x7E8)}, times(5, moment{closed, 90, 0x8000}), 0x8000, 0, UnknownScale, "did not tell them"},
	} {
		t.Run(row.name, func(t *testing.T) {
			samples := append(played(row.drive...), store.Sample{At: time.Hour, Channel: chCommand, Code: row.raw})
			first := append([]store.Sample{{At: -time.Second, Channel: chCommand, Code: row.raw}}, samples...)
			s, got := derive(t, given{meta: store.Meta{Channels: commandChannels, Static: row.static}, samples: first})
			for _, v := range []named{got[0], got[len(got)-1]} { // the decision holds for what was read before it too
				require.Equal(t, "LAMBDA", v.name)
				assert.Equal(t, row.state, v.state)
				if row.state == "" {
					assert.InDelta(t, row.want, v.number, 1e-12)
				} else {
					assert.True(t, math.IsNaN(v.number))
				}
			}
			for _, c := range s.Channels() {
				if c.Name == "LAMBDA" && row.note != "" {
					assert.Contains(t, c.Note, row.note)
				} else if c.Name == "LAMBDA" {
					assert.Empty(t, c.Note)
				}
			}
		})
	}
}

// lists is a bitmap 40 with 4F and 50 in it.
func lists(from uint32) store.Static {
	return store.Static{From: from, Service: 1, PID: 0x40, Payload: []byte{0x41, 0x40, 0, 3, 0, 0}}
}

func TestTheClosedLoopIsLookedForNoLongerThanItTakes(t *testing.T) {
	read := 0
	g := given{meta: store.Meta{Channels: commandChannels, Static: []store.Static{declares(0x7E8, 32)}}, samples: played(times(1000, moment{0x0200, 90, 0x8000})...)}
	_, err := New(counting{g, &read})
	require.NoError(t, err)
	assert.Less(t, read, 3*enough+100, "three samples a moment, and what is held back to be put in order")
	read = 0
	g.meta.Static = nil
	_, err = New(counting{g, &read})
	require.NoError(t, err)
	assert.Zero(t, read, "nothing is open, nothing is read")
}

type counting struct {
	given
	read *int
}

func (c counting) Samples() iter.Seq2[store.Sample, error] {
	return func(yield func(store.Sample, error) bool) {
		c.given.Samples()(func(s store.Sample, err error) bool {
			*c.read++
			return yield(s, err)
		})
	}
}

func TestAStaleLoopShowsNothing(t *testing.T) {
	samples := played(moment{0x0200, 90, 0x0800})
	for i := range 40 {
		samples = append(samples, store.Sample{At: time.Minute + time.Duration(i)*time.Second, Channel: chCommand, Code: 0x0800})
	}
	_, got := derive(t, given{meta: store.Meta{Channels: commandChannels, Static: []store.Static{declares(0x7E8, 32)}}, samples: samples})
	assert.Equal(t, UnknownScale, got[len(got)-1].state)
}

// Full scales that the car lists and did not tell make states of what depends on them; those told are applied.
func TestScalesListedAndNotTold(t *testing.T) {
	channels := []store.Channel{parameter(0x7E8, 0x0B, 1, 0), parameter(0x7E8, 0x10, 2, 0), parameter(0x7E8, 0x34, 4, 0), parameter(0x7E8, 0x0C, 2, 0)}
	samples := []store.Sample{{Code: 75}, {At: ms, Channel: 1, Code: 368}, {At: 2 * ms, Channel: 2, Code: 0x80008000}, {At: 3 * ms, Channel: 3, Code: 0x1AF8}}
	s, got := derive(t, given{meta: store.Meta{Channels: channels, Static: []store.Static{lists(0x7E8)}}, samples: samples})
	var shown []string
	for _, v := range got {
		shown = append(shown, strings.TrimSpace(v.name+" "+v.state))
		assert.Equal(t, v.state != "", math.IsNaN(v.number))
	}
	assert.Equal(t, []string{"MAP unknown scale", "MAF unknown scale", "LAMBDA11 unknown scale", "O2S11 unknown scale", "RPM"}, shown)
	for _, c := range s.Channels() {
		assert.Equal(t, c.Name != "RPM", strings.Contains(c.Note, "the car lists its full scale and did not tell it"), c.Name)
	}

	told := []store.Static{lists(0x7E8), {From: 0x7E8, Service: 1, PID: 0x4F, Payload: []byte{0x41, 0x4F, 32, 0, 16, 34}},
		{From: 0x7E8, Service: 1, PID: 0x50, Payload: []byte{0x41, 0x50, 40, 0, 0, 0}}, {From: 0x7E8, Service: 1, PID: 0x13, Payload: []byte{0x41, 0x13, 3}}}
	s, got = derive(t, given{meta: store.Meta{Channels: channels, Static: told}, samples: samples})
	assert.InDelta(t, 100, got[0].number, 1e-9)
	assert.InDelta(t, 368*400/65535.0, got[1].number, 1e-9)
	assert.InDelta(t, 16.000244, got[2].number, 1e-6)
	notes := map[string]string{}
	for _, c := range s.Channels() {
		notes[c.Name] = c.Note
	}
	assert.Equal(t, map[string]string{"MAP": "the car declares a full scale of 340 kPa", "MAF": "the car declares a full scale of 400 g/s",
		"LAMBDA11": "the car declares a full scale of 32", "O2S11": "the car declares a full scale of 16 mA", "RPM": ""}, notes)
}

func TestSensorsAreNumberedAsTheCarTells(t *testing.T) {
	channels := []store.Channel{parameter(0x7E8, 0x26, 4, 0)}
	for _, row := range []struct {
		name   string
		static []store.Static
		want   string
		note   string
	}{
		{"two banks", []store.Static{{From: 0x7E8, Service: 1, PID: 0x13, Payload: []byte{0x41, 0x13, 7}}}, "LAMBDA13 [1]", ""},
		{"four banks", []store.Static{{From: 0x7E8, Service: 1, PID: 0x1D, Payload: []byte{0x41, 0x1D, 7}}}, "LAMBDA21 [1]", ""},
		{"not told", nil, "LAMBDA13 [1]", "the car did not tell how it numbers its sensors, two banks are assumed"},
	} {
		s, err := New(given{meta: store.Meta{Channels: channels, Static: row.static}})
		require.NoError(t, err)
		assert.Equal(t, row.want, names(s)[0], row.name)
		assert.Equal(t, row.note, s.Channels()[0].Note, row.name)
	}
}
