package poll

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// link is what requests cost in a simulated minute: a fixed part and a part for each parameter.
type link struct{ fixed, each time.Duration }

func (l link) cost(n int) time.Duration { return l.fixed + time.Duration(n)*l.each }

// drive runs the planner over a simulated link and returns how often each parameter was answered and the longest time
// between two answers.
func drive(t *testing.T, p *planner, l link, length time.Duration, mute func(obd.PID) bool) (got map[obd.PID]int, worst map[obd.PID]time.Duration) {
	t.Helper()
	got, worst = map[obd.PID]int{}, map[obd.PID]time.Duration{}
	last := map[obd.PID]time.Duration{}
	var now time.Duration
	for now < length {
		ask, wait := p.next(now)
		if len(ask) == 0 {
			require.Positive(t, wait, "nothing to ask and no time to wait is a busy loop")
			now += wait
			continue
		}
		checkRequest(t, p, ask)
		cost := l.cost(len(ask))
		now += cost
		var answered [256]bool
		for _, a := range ask {
			if mute != nil && mute(a) {
				continue
			}
			answered[a] = true
			got[a]++
			worst[a] = max(worst[a], now-last[a])
			last[a] = now
		}
		p.done(now, cost, ask, &answered)
	}
	for a := range got {
		worst[a] = max(worst[a], length-last[a])
	}
	return got, worst
}

func checkRequest(t *testing.T, p *planner, ask []obd.PID) {
	t.Helper()
	require.LessOrEqual(t, len(ask), p.places)
	require.NotContains(t, []obd.PID{0x04, 0x08}, ask[0], "%v", ask)
	once := slices.Clone(ask)
	slices.Sort(once)
	require.Len(t, slices.Compact(once), len(ask), "%v asks twice for one parameter", ask)
}

func mixture() []Channel {
	f := Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{}}
	for p := range sedan().ecus[0].params {
		f.Supported[0x7E8] = append(f.Supported[0x7E8], p)
	}
	return DefaultChannels(f)
}

func TestPlannerGivesEachClassItsRate(t *testing.T) {
	for _, tt := range []struct {
		name    string
		places  int
		link    link
		fast    float64 // readings a second, at least
		fulfils float64 // share of the others' wanted rate, at least
	}{
		// Costs after the model of the reference link: 38 400 baud, an engine computer that answers in 5 ms.
		{"six in a request, 25 ms", 6, link{8 * time.Millisecond, 2800 * time.Microsecond}, 20, 0.9},
		{"one in a request, 11 ms", 1, link{11 * time.Millisecond, 0}, 10, 0.9},
		{"three in a request over a slow radio link", 3, link{40 * time.Millisecond, 5 * time.Millisecond}, 4, 0.7},
		// A drive of 2018 through a cheap wireless adapter got one parameter in about 90 ms. Six fast channels in
		// three quarters of that are 1.4 readings a second.
		{"one in a request, 90 ms", 1, link{90 * time.Millisecond, 0}, 1.3, 0.15},
	} {
		t.Run(tt.name, func(t *testing.T) {
			channels := mixture()
			p := newPlanner(channels, tt.places, []obd.PID{0x0C})
			got, _ := drive(t, p, tt.link, time.Minute, nil)
			for _, c := range channels {
				if tt.places == 1 && c.PID == 0x04 {
					continue
				}
				rate := float64(got[c.PID]) / 60
				if c.Class == Fast {
					assert.GreaterOrEqual(t, rate, tt.fast, "fast %s", c.PID)
				} else {
					assert.GreaterOrEqual(t, rate*c.every().Seconds(), tt.fulfils, "%s %s", c.Class, c.PID)
					assert.LessOrEqual(t, rate*c.every().Seconds(), 1.05, "%s %s more often than wanted", c.Class, c.PID)
				}
			}
		})
	}
}

func TestPlannerStarvesNothing(t *testing.T) {
	channels := mixture()
	for _, places := range []int{1, 2, 3, 6} {
		p := newPlanner(channels, places, []obd.PID{0x0C})
		_, worst := drive(t, p, link{250 * time.Millisecond, 0}, 10*time.Minute, nil)
		for _, c := range channels {
			require.Contains(t, worst, c.PID, "%d places", places)
			assert.LessOrEqual(t, worst[c.PID], 2*time.Minute, "%d places: %s %s", places, c.Class, c.PID)
		}
	}
}

func TestPlannerKeepsFastChannelsEven(t *testing.T) {
	channels := mixture()
	p := newPlanner(channels, 6, []obd.PID{0x0C})
	got, worst := drive(t, p, link{8 * time.Millisecond, 2800 * time.Microsecond}, time.Minute, nil)
	for _, c := range channels {
		if c.Class == Fast {
			mean := time.Minute / time.Duration(got[c.PID])
			assert.LessOrEqual(t, worst[c.PID], 2*mean, "%s", c.PID)
		}
	}
}

func TestPlannerRestsFromTheSilent(t *testing.T) {
	channels := []Channel{{PID: 0x0C}, {PID: 0x0B}, {PID: 0x42, Class: Normal}}
	p := newPlanner(channels, 1, nil)
	asked := map[obd.PID]int{}
	got, _ := drive(t, p, link{10 * time.Millisecond, 0}, time.Minute, func(a obd.PID) bool { asked[a]++; return a == 0x0B })
	assert.Zero(t, got[0x0B])
	assert.Less(t, asked[0x0B], 12)
	assert.Greater(t, asked[0x0B], 5)
	assert.Greater(t, got[0x0C], 5000)
}

func TestPlannerAsksLoadOnlyBehindAnother(t *testing.T) {
	dangers := []Channel{{PID: 0x04}, {PID: 0x08, Class: Normal}}
	t.Run("one in a request: not at all", func(t *testing.T) {
		got, _ := drive(t, newPlanner(dangers, 1, []obd.PID{0x0C}), link{time.Millisecond, 0}, time.Second, nil)
		assert.Empty(t, got)
	})
	t.Run("several: behind a borrowed one", func(t *testing.T) {
		p := newPlanner(dangers, 6, []obd.PID{0x0C})
		ask, _ := p.next(0)
		assert.Equal(t, []obd.PID{0x0C, 0x04, 0x08}, ask)
	})
	t.Run("nothing to borrow", func(t *testing.T) {
		got, _ := drive(t, newPlanner(dangers, 6, nil), link{time.Millisecond, 0}, time.Second, nil)
		assert.Empty(t, got)
	})
}

func TestLead(t *testing.T) {
	for _, tt := range []struct {
		name   string
		ask    []obd.PID
		places int
		leads  []obd.PID
		want   []obd.PID
	}{
		{"already good", []obd.PID{0x0C, 0x04}, 6, nil, []obd.PID{0x0C, 0x04}},
		{"load first", []obd.PID{0x04, 0x10, 0x0B}, 6, nil, []obd.PID{0x0B, 0x10, 0x04}},
		{"air flow alone", []obd.PID{0x10}, 6, []obd.PID{0x0C}, []obd.PID{0x10}},
		{"air flow among its like", []obd.PID{0x10, 0x11}, 6, []obd.PID{0x0C}, []obd.PID{0x0C, 0x10, 0x11}},
		{"no place left", []obd.PID{0x10, 0x11}, 2, []obd.PID{0x0C}, []obd.PID{0x0C, 0x10}},
		{"nothing better", []obd.PID{0x08, 0x10}, 6, nil, []obd.PID{0x10, 0x08}},
		{"nothing at all", []obd.PID{0x08, 0x04}, 6, nil, []obd.PID{}},
		{"answers' numbers are no services", []obd.PID{0x34, 0x44}, 6, nil, []obd.PID{0x44, 0x34}},
	} {
		t.Run(tt.name, func(t *testing.T) { assert.Equal(t, tt.want, lead(tt.ask, tt.places, tt.leads)) })
	}
}

func FuzzPlanner(f *testing.F) {
	f.Add([]byte{0x0C, 0, 0x0B, 0, 0x04, 1, 0x42, 2}, byte(6), byte(0x0C), byte(20), byte(3))
	f.Add([]byte{0x10, 0, 0x11, 0}, byte(2), byte(0x0D), byte(90), byte(0))
	f.Add([]byte{0x04, 0, 0x08, 1}, byte(1), byte(0), byte(1), byte(0))
	f.Fuzz(func(t *testing.T, bytes []byte, places, leadPID, cost, mute byte) {
		var channels []Channel
		for i := 0; i+1 < len(bytes) && len(channels) < 40; i += 2 {
			channels = append(channels, Channel{PID: obd.PID(bytes[i]), Class: Class(bytes[i+1] % 3), Every: time.Duration(bytes[i+1]>>2) * 50 * time.Millisecond})
		}
		p := newPlanner(channels, 1+int(places%6), []obd.PID{obd.PID(leadPID)})
		silent := func(a obd.PID) bool { return mute > 0 && byte(a)%mute == 0 }
		if mute == 1 {
			silent = nil
		}
		got, _ := drive(t, p, link{time.Duration(5+int(cost)) * time.Millisecond, 0}, 3*time.Minute, silent)
		for _, c := range channels {
			if p.askable(c.PID) && (silent == nil || !silent(c.PID)) {
				require.Positive(t, got[c.PID], "%s %s starved", c.Class, c.PID)
			}
		}
	})
}

func BenchmarkPlanner(b *testing.B) {
	p := newPlanner(mixture(), 6, []obd.PID{0x0C})
	var got [256]bool
	for i := range got {
		got[i] = true
	}
	var now time.Duration
	b.ReportAllocs()
	for b.Loop() {
		ask, _ := p.next(now)
		now += 25 * time.Millisecond
		p.done(now, 25*time.Millisecond, ask, &got)
	}
}
