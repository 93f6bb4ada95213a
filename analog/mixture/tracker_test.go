package mixture

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// stretch is a stay at one level of the controller's output, before the chain.
type stretch struct {
	volts  float64
	length time.Duration
}

const step = 10 * time.Millisecond

// drive feeds stretches through a chain with noise at 100 readings a second and gives each reading's state.
func drive(k *Tracker, c Chain, noise float64, drive []stretch) (states []State) {
	r := rand.New(rand.NewPCG(1, 2))
	at := time.Duration(0)
	for _, s := range drive {
		for end := at + s.length; at < end; at += step {
			states = append(states, k.Feed(at, c.Seen(s.volts)+noise*r.NormFloat64()))
		}
	}
	return states
}

// runs says the states in short: "warming 2s, valid 1s".
func runs(states []State) (text string) {
	for i := 0; i < len(states); {
		j := i
		for j < len(states) && states[j] == states[i] {
			j++
		}
		if text != "" {
			text += ", "
		}
		text += fmt.Sprintf("%v %v", states[i], time.Duration(j-i)*step)
		i = j
	}
	return text
}

// outside has its warm-up level beyond the scale, inside within it, atEnd at its upper end.
func outside() Levels {
	return levels(Law{Point{0.5, 0.65}, Point{4.5, 1.35}}, 5.0)
}
func inside() Levels { return levels(Law{Point{0, 0.5}, Point{5, 1.5}}, 2.0) }
func atEnd() Levels  { return levels(lawA(), 5.0) }
func below() Levels  { return levels(Law{Point{0.5, 0.65}, Point{4.5, 1.35}}, 0) }

func withFault(volts float64) Levels {
	l := outside()
	l.FaultVolts, l.HasFault = volts, true
	return l
}

func withTop(l Levels, volts float64) Levels {
	l.TopVolts, l.HasTop = volts, true
	return l
}

func levels(l Law, warmup float64) Levels {
	return Levels{Law: l, WarmupVolts: warmup, HasWarmup: true}
}

func TestTracker(t *testing.T) {
	const s, ms = time.Second, time.Millisecond
	loss := Chain{Gain: 0.97}
	for _, row := range []struct {
		name   string
		levels Levels
		chain  Chain
		drive  []stretch
		want   string
	}{
		{"cold start, idle, pull, fuel cut", outside(), loss,
			[]stretch{{5, 10 * s}, {2.5, 5 * s}, {1.6, 2 * s}, {4.5, 3 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 9.8s, valid 6.7s, high limit 3s, valid 1s"},
		{"rich beyond the scale", outside(), loss,
			[]stretch{{5, 3 * s}, {2.5, 1 * s}, {0.5, 1 * s}, {0.3, 1 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 2.8s, valid 700ms, low limit 2s, valid 1s"},
		{"a falling law puts the ends the other way", levels(Law{Point{0.5, 1.35}, Point{4.5, 0.65}}, 5), loss,
			[]stretch{{5, 3 * s}, {2.5, 1 * s}, {0.5, 1 * s}, {4.5, 1 * s}},
			"unknown 500ms, warming 2.8s, valid 700ms, high limit 1s, low limit 1s"},
		{"controller hot already", outside(), loss,
			[]stretch{{2.5, 3 * s}},
			"unknown 1s, valid 2s"},
		{"hot already, and in a fuel cut first", outside(), Chain{},
			[]stretch{{4.47, 300 * ms}, {2.5, 3 * s}},
			"unknown 1.3s, valid 2s"},
		{"no power yet, then warm-up", outside(), loss,
			[]stretch{{0, 20 * s}, {5, 10 * s}, {2.5, 1 * s}},
			"unknown 1s, disconnected 19.3s, unknown 500ms, warming 9.5s, valid 700ms"},
		{"controller restarts later", outside(), loss,
			[]stretch{{5, 3 * s}, {2.5, 2 * s}, {0, 200 * ms}, {5, 4 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 2.8s, valid 1.7s, low limit 200ms, high limit 500ms, warming 3.8s, valid 700ms"},
		{"a spike off the plateau", outside(), loss,
			[]stretch{{5, 3 * s}, {2.5, 200 * ms}, {5, 3 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 6s, valid 700ms"},
		{"warm-up level inside the scale", inside(), loss,
			[]stretch{{2, 5 * s}, {2.5, 2 * s}, {2, 3 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 4.8s, valid 5.7s"},
		{"warm-up level at the scale's end", atEnd(), loss,
			[]stretch{{5, 5 * s}, {2.35, 2 * s}, {5, 3 * s}, {2.35, 1 * s}},
			"unknown 500ms, warming 4.8s, valid 1.7s, high limit 3s, valid 1s"},
		{"warm-up level at 0 V with the ground 100 mV off", below(), Chain{Offset: 0.1},
			[]stretch{{0, 5 * s}, {2.5, 2 * s}, {0, 2 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 4.8s, valid 1.7s, low limit 500ms, warming 1.8s, valid 700ms"},
		{"unplugged and plugged in again", outside(), loss,
			[]stretch{{5, 3 * s}, {2.5, 2 * s}, {0, 5 * s}, {2.5, 4 * s}},
			"unknown 500ms, warming 2.8s, valid 1.7s, low limit 1s, disconnected 4.3s, unknown 1s, valid 2.7s"},
		{"off its scale below", outside(), Chain{},
			[]stretch{{2.5, 2 * s}, {0.18, 2 * s}, {2.5, 1 * s}},
			"unknown 1s, valid 1s, low limit 500ms, fault 1.8s, valid 700ms"},
		{"its own fault level above", withFault(5.4), loss,
			[]stretch{{5, 3 * s}, {2.5, 1 * s}, {5.4, 3 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 2.8s, valid 700ms, high limit 500ms, fault 2.8s, valid 700ms"},
		{"no warm-up level, and off its scale above", Levels{Law: outside().Law}, Chain{},
			[]stretch{{5.2, 2 * s}, {2.5, 1 * s}},
			"high limit 500ms, fault 1.8s, valid 700ms"},
		{"a top below the law's end", withTop(outside(), 4.3), Chain{},
			[]stretch{{5, 3 * s}, {2.5, 1 * s}, {4.3, 2 * s}, {2.5, 1 * s}},
			"unknown 500ms, warming 2.8s, valid 700ms, high limit 2s, valid 1s"},
		{"a top above the law's end, by which the ground is off, too", withTop(Levels{Law: outside().Law}, 4.9), Chain{Offset: 0.2},
			[]stretch{{2.5, 1 * s}, {4.9, 2 * s}, {2.5, 1 * s}},
			"valid 1s, high limit 2s, valid 1s"},
		{"a top between a falling law's ends", withTop(Levels{Law: Law{Point{0.5, 1.35}, Point{4.5, 0.65}}}, 0.8), Chain{},
			[]stretch{{2.5, 1 * s}, {0.8, 2 * s}, {4.5, 1 * s}},
			"valid 1s, high limit 2s, low limit 1s"},
		{"0 V is on the scale, for a while", atEnd(), loss,
			[]stretch{{2.35, 2 * s}, {0, 12 * s}},
			"unknown 1s, valid 1s, low limit 10s, disconnected 2s"},
		{"no warm-up level", Levels{Law: outside().Law}, Chain{},
			[]stretch{{5, 1 * s}, {2.5, 1 * s}},
			"high limit 1s, valid 1s"},
	} {
		for _, noise := range []float64{0, 0.005} {
			t.Run(fmt.Sprintf("%s, noise %v V", row.name, noise), func(t *testing.T) {
				assert.Equal(t, row.want, runs(drive(NewTracker(row.levels), row.chain, noise, row.drive)))
			})
		}
	}
}

func TestTrackerLevel(t *testing.T) {
	const s = time.Second
	for _, row := range []struct {
		name   string
		levels Levels
		chain  Chain
		drive  []stretch
		ok     bool
		gain   float64
	}{
		{"3 % line loss", outside(), Chain{Gain: 0.97}, []stretch{{5, 10 * s}, {2.5, s}}, true, 0.97},
		{"no loss, still warming", outside(), Chain{}, []stretch{{5, 3 * s}}, true, 0},
		{"10 % at the scale's own end", atEnd(), Chain{Gain: 0.905}, []stretch{{5, 3 * s}, {2.5, s}}, true, 0.905},
		{"inside the scale, which a mixture explains as well", inside(), Chain{Gain: 0.98}, []stretch{{2, 3 * s}, {2.5, s}}, false, 0},
		{"too short", outside(), Chain{}, []stretch{{5, 900 * time.Millisecond}, {2.5, s}}, false, 0},
		{"never seen", outside(), Chain{}, []stretch{{2.5, 10 * s}}, false, 0},
		// Taken for the warm-up level, 4.5 V would tell a gain of 0.9 and spoil every λ of the drive.
		{"free air at the start is not the warm-up level", outside(), Chain{}, []stretch{{4.5, 10 * s}, {2.5, s}}, false, 0},
		{"seen at 0 V tells a level but no gain", below(), Chain{Offset: 0.05}, []stretch{{0, 5 * s}, {2.5, s}}, true, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			k := NewTracker(row.levels)
			drive(k, row.chain, 0.005, row.drive)
			known, seen, sigma, n, ok := k.Level()
			require.Equal(t, row.ok, ok)
			assert.InDelta(t, row.gain, k.Chain().Gain, 0.0005)
			if !ok {
				assert.Zero(t, n)
				return
			}
			assert.Equal(t, row.levels.WarmupVolts, known)
			assert.InDelta(t, row.chain.Seen(known), seen, 0.001)
			assert.InDelta(t, 0.005, sigma, 0.001)
			assert.InDelta(t, float64(row.drive[0].length/step), float64(n), 1)
		})
	}
}

func TestTrackerUse(t *testing.T) {
	k := NewTracker(outside())
	k.Use(Chain{Gain: 0.95})
	drive(k, Chain{Gain: 0.97}, 0, []stretch{{5, 3 * time.Second}, {2.5, time.Second}})
	assert.Equal(t, Chain{Gain: 0.95}, k.Chain(), "the given chain stays in force")
	_, seen, _, _, ok := k.Level()
	assert.True(t, ok, "and the level is still observed")
	assert.InDelta(t, 4.85, seen, 1e-9)
}

// A mixture that oscillates through a warm-up level inside the scale is not the warm-up level.
func TestTrackerOscillation(t *testing.T) {
	k := NewTracker(levels(Law{Point{0, 0.5}, Point{5, 1.5}}, 2.5))
	var states []State
	for at := time.Duration(0); at < 5*time.Second; at += step {
		states = append(states, k.Feed(at, 2.5+0.2*math.Sin(2*math.Pi*1.5*at.Seconds())))
	}
	assert.Equal(t, Unknown, states[0])
	assert.Equal(t, Valid, states[len(states)-1])
	assert.NotContains(t, states, Warming)
}

// Whatever comes in, nothing is valid within the first second with a warm-up level configured, and every state is one
// of those there are.
func TestTrackerIsConservative(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		k := NewTracker([]Levels{outside(), inside(), atEnd(), below()}[r.IntN(4)])
		level := 0.0
		for at := time.Duration(0); at < 3*time.Second; at += step {
			if r.IntN(20) == 0 {
				level = 6 * r.Float64()
			}
			state := k.Feed(at, level)
			require.LessOrEqual(t, state, Stuck)
			if at < hotTime {
				require.NotEqual(t, Valid, state, "at %v", at)
			}
		}
	}
}

func TestTrackerOddReadings(t *testing.T) {
	k := NewTracker(Levels{Law: lawA()})
	assert.Equal(t, Unknown, k.Feed(0, math.NaN()))
	assert.Equal(t, Unknown, k.Feed(1, math.Inf(-1)))
	assert.Equal(t, Valid, k.Feed(2, 2.5))

	again := NewTracker(outside())
	again.Feed(time.Hour, 5)
	assert.NotPanics(t, func() { again.Feed(0, 5) }, "a clock that went back")

	var words []string
	for s := range Stuck + 2 {
		words = append(words, s.String())
	}
	assert.Equal(t, []string{"unknown", "warming", "valid", "low limit", "high limit", "fault", "disconnected", "stuck", "unknown"}, words)
}

func BenchmarkTrackerFeed(b *testing.B) {
	k := NewTracker(outside())
	at := time.Duration(0)
	for range 300 {
		k.Feed(at, 4.85)
		at += step
	}
	b.ReportAllocs()
	for b.Loop() {
		k.Feed(at, 2.5)
		at += step
	}
}

// A level near the scale's end is the warm-up level only where something tells it from free air. Then any loss and any
// offset that a car may have will do.
func TestTrackerTellsWarmupFromFreeAir(t *testing.T) {
	const s = time.Second
	unpowered := stretch{0, 2 * s}
	for _, row := range []struct {
		name    string
		chain   Chain
		drive   []stretch
		burning bool
		ok      bool
	}{
		{"10 % loss and -150 mV, power seen to come", Chain{0.9, -0.15}, []stretch{unpowered, {5, 10 * s}, {2.5, s}}, false, true},
		{"10 % loss, power seen to come", Chain{0.9, 0}, []stretch{unpowered, {5, 10 * s}, {2.5, s}}, false, true},
		{"10 % loss and 150 mV, power seen to come", Chain{0.9, 0.15}, []stretch{unpowered, {5, 10 * s}, {2.5, s}}, false, true},
		{"10 % loss and -150 mV, the engine runs", Chain{0.9, -0.15}, []stretch{{5, 10 * s}, {2.5, s}}, true, true},
		{"8 % loss, the engine runs", Chain{0.92, 0}, []stretch{{5, 10 * s}, {2.5, s}}, true, true},
		{"8 % loss, and nothing tells", Chain{0.92, 0}, []stretch{{5, 10 * s}, {2.5, s}}, false, false},
		{"free air, the engine stands", Chain{1, 0}, []stretch{{4.5, 10 * s}, {2.5, s}}, false, false},
		{"free air for long after a start without 0 V", Chain{0.95, 0.05}, []stretch{{4.5, 60 * s}, {2.5, s}}, false, false},
		{"the engine runs, for too short a time to tell", Chain{0.92, 0}, []stretch{{5, 2 * s}, {2.5, s}}, true, false},
		{"no loss, and nothing need tell", Chain{1, 0}, []stretch{{5, 10 * s}, {2.5, s}}, false, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			k := NewTracker(outside())
			r := rand.New(rand.NewPCG(7, 8))
			at := time.Duration(0)
			for _, part := range row.drive {
				for end := at + part.length; at < end; at += step {
					if row.burning {
						k.Engine(at, true)
					}
					k.Feed(at, row.chain.Seen(part.volts)+0.005*r.NormFloat64())
				}
			}
			_, seen, _, _, ok := k.Level()
			require.Equal(t, row.ok, ok)
			if ok {
				assert.InDelta(t, row.chain.Seen(5), seen, 0.001)
			}
		})
	}
}

// A level within the scale may be a quiet mixture: only power that has just come makes it the warm-up level, and a hot start's idle is
// no calibration, whatever burns.
func TestTrackerWarmupWithinTheScale(t *testing.T) {
	const s = time.Second
	swing := func(k *Tracker, from time.Duration, volts float64, length time.Duration) time.Duration {
		for at := from; at < from+length; at += step {
			k.Engine(at, true)
			k.Feed(at, volts+0.02*math.Sin(2*math.Pi*1.5*at.Seconds()))
		}
		return from + length
	}
	for _, row := range []struct {
		name      string
		unpowered bool
		idle      float64
		ok        bool
	}{
		{"power seen to come", true, 1.96, true},
		{"a hot start's rich idle", false, 1.88, false},
		{"a hot start's idle above it", false, 2.08, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			k := NewTracker(inside())
			at := time.Duration(0)
			if row.unpowered {
				for ; at < 2*s; at += step {
					k.Feed(at, 0)
				}
			}
			swing(k, swing(k, at, row.idle, 20*s), 2.5, 2*s)
			_, _, _, _, ok := k.Level()
			assert.Equal(t, row.ok, ok)
			if !ok {
				assert.Equal(t, Chain{}, k.Chain(), "nothing is learnt")
			}
		})
	}
}

// What 0 V means for long: a rich end at which nobody stays, a lean end during a fuel cut, the controller's own fault level.
func TestTrackerZeroVolts(t *testing.T) {
	const s = time.Second
	falling := Levels{Law: Law{Point{0, 1.5}, Point{5, 0.5}}}
	faulty := Levels{Law: Law{Point{0, 0.5}, Point{5, 1.5}}, HasFault: true}
	for _, row := range []struct {
		name   string
		levels Levels
		length time.Duration
		want   string
	}{
		{"a fuel cut down a hill, on a falling law", falling, 46 * s, "valid 1s, high limit 46s, valid 1s"},
		{"a plug that is out, on a falling law", falling, 130 * s, "valid 1s, high limit 2m0s, disconnected 10.3s, valid 700ms"},
		{"the rich end of a rising law", Levels{Law: faulty.Law}, 20 * s, "valid 1s, low limit 10s, disconnected 10.3s, valid 700ms"},
		{"the same, where it is the fault's level", faulty, 20 * s, "valid 1s, low limit 10s, fault 10.3s, valid 700ms"},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.want, runs(drive(NewTracker(row.levels), Chain{}, 0.002, []stretch{{2.5, s}, {0.02, row.length}, {2.5, s}})))
		})
	}
	assert.True(t, faulty.TellsFault())
	falling.HasFault = true
	assert.False(t, falling.TellsFault(), "free air puts out the same")
	faulty.FaultVolts = 5
	assert.False(t, faulty.TellsFault())
	assert.True(t, withFault(0.2).TellsFault())
}

// A converter of few readings a second sees a mixture move as far from one to the next as nothing else does but a floating input.
func TestTrackerSlowConverterIsNotFloating(t *testing.T) {
	k := NewTracker(Levels{Law: Law{Point{0, 0.5}, Point{5, 1.5}}})
	for i := range 225 {
		at := time.Duration(float64(i) / 3.75 * float64(time.Second))
		require.Equal(t, Valid, k.Feed(at, 2.5+0.26*math.Sin(2*math.Pi*0.83*at.Seconds())), "at %v", at)
	}
}

// What the engine computer said long ago, or of a fuel cut, is no evidence.
func TestEvidenceGetsStale(t *testing.T) {
	const s = time.Second
	var e evidence
	e.engine(0, true)
	e.engine(2*s, true)
	assert.True(t, e.burnt(0, 4*s))
	assert.False(t, e.burnt(3*s, 4*s), "the level is too young")
	assert.False(t, e.burnt(0, 6*s), "no news for four seconds")
	e.engine(6*s, true)
	assert.False(t, e.burnt(0, 7*s), "there was a gap in the news")
	e.engine(10*s, false)
	e.engine(11*s, true)
	assert.False(t, e.burnt(0, 12*s), "a fuel cut in between")
	assert.True(t, e.burnt(0, 14*s))
}

func TestTrackerFloatingAndStuck(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	fill := func(n int, f func(i int) float64) (out []float64) {
		for i := range n {
			out = append(out, f(i))
		}
		return out
	}
	hum := func(i int) float64 { return 2 + 0.6*math.Sin(float64(i)*2.3) + 0.1*r.NormFloat64() }
	alive := func(i int) float64 { return 2.5 + 0.15*math.Sin(float64(i)/50) + 0.005*r.NormFloat64() }
	for _, row := range []struct {
		name  string
		volts []float64
		want  State // of the last reading
		count int   // of readings so marked
	}{
		{"a mixture", fill(2000, alive), Valid, 1900},
		{"hum on an open input", fill(2000, hum), Disconnected, 1900},
		{"plugged in after a while", append(fill(2000, hum), fill(2000, alive)...), Valid, 1600},
		{"single spikes are no hum", fill(2000, func(i int) float64 { return alive(i) + 2*float64(((i+5)%20)/19) }), Valid, 1900},
		{"one code for ten seconds", append(fill(500, alive), fill(1500, func(int) float64 { return 2.5 })...), Stuck, 500},
		{"and alive again", append(append(fill(500, alive), fill(1500, func(int) float64 { return 2.5 })...), fill(500, alive)...), Valid, 1850},
		{"one code in a long fuel cut", append(fill(500, alive), fill(3000, func(int) float64 { return 4.5 })...), HighLimit, 3000},
	} {
		t.Run(row.name, func(t *testing.T) {
			k := NewTracker(Levels{Law: outside().Law})
			n, last := 0, Unknown
			for i, v := range row.volts {
				last = k.Feed(time.Duration(i)*step, v)
				if last == row.want {
					n++
				}
			}
			assert.Equal(t, row.want, last)
			assert.GreaterOrEqual(t, n, row.count)
		})
	}
}

// The engine's fuel cuts are steep, and a slow sampler sees little else than edges: no hum.
func TestTrackerSlowSampling(t *testing.T) {
	k := NewTracker(Levels{Law: outside().Law})
	for i := range 600 { // ten readings a second, a fuel cut every six seconds
		volts := 2.5
		if i%60 > 50 {
			volts = 4.5
		}
		assert.NotEqual(t, Disconnected, k.Feed(time.Duration(i)*100*time.Millisecond, volts))
	}
}
