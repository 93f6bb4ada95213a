package mixture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Derived for a 2.0 litre four with 2.6 litres to the sensor: dead time and sum from gas temperatures and pressures at each point.
func TestDefaultDelay(t *testing.T) {
	for _, row := range []struct {
		name            string
		rpm, flow       float64
		lag, dead, most float64
	}{
		{"idle", 800, 2.67, 0.100, 0.602, 0.70},
		{"cruise", 2500, 16.03, 0.080, 0.100, 0.18},
		{"mid load", 3000, 49.6, 0.070, 0.050, 0.12},
		{"full load", 6000, 140.2, 0.060, 0.022, 0.08},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := DefaultDelay()
			assert.InDelta(t, row.dead, m.Dead(row.rpm, row.flow), 0.003)
			m.Lag = row.lag
			assert.InDelta(t, row.most, m.Total(row.rpm, row.flow), 0.006)
		})
	}
	assert.True(t, math.IsNaN(DefaultDelay().Dead(0, 0)))
}

func TestAir(t *testing.T) {
	flow := SpeedDensity(0.85, 95, 2, 3000, 30)
	assert.InDelta(t, 46.40, flow, 0.01, "derived")
	assert.InDelta(t, 0.4640, flow*120/(3000*4), 0.0001, "derived: grams a cylinder and cycle")
	assert.InDelta(t, 0.928, flow*60/3000, 0.0005, "derived: grams a revolution")
	assert.InDelta(t, 1.023, VolumetricEfficiency(215.27, 97, 3.726, 6219, 37), 0.0005, "a public analysis of one car's log prints 102.3 %")
	assert.InDelta(t, 1.184, AirDensity(101.325, 25), 0.0005, "SAE J1979's density for absolute load")
	assert.InDelta(t, 0.784, flow*120/(3000*4)/(AirDensity(101.325, 25)*0.5), 0.0005, "derived: absolute load, grams a cylinder and cycle over those at SAE J1979's density")
	// Pulkrabek, Engineering Fundamentals of the Internal Combustion Engine, examples 2-2 and 2-3 (from memory, done again): six
	// cylinders of half a litre with 0.500 g each at 3600 1/min, air of 1.181 kg/m³ outside.
	assert.InDelta(t, 0.847, VolumetricEfficiency(0.500*6*3600/120, 101.05, 3, 3600, 25), 0.0005)
	assert.InDelta(t, 1.181, AirDensity(101.05, 25), 0.0005)
	assert.InDelta(t, 0.845, 0.500/(AirDensity(101.325, 25)*0.5), 0.0005, "its absolute load")
	assert.InDelta(t, 16.03, ExhaustFlow(15, 1, 14.6), 0.005, "derived")
}

// The model's form holds another engine's published map: Jin, Deshmukh, Kapinski, Ueda and Butts, Powertrain control verification
// benchmark, HSCC 2014, doi 10.1145/2562059.2562140; seconds by grams of air a cylinder and engine speed, a four-cylinder.
func TestDelayFitsAPublishedMap(t *testing.T) {
	speeds := []float64{800, 1000, 1500, 2000, 3000}
	byCharge := map[float64][]float64{
		0.05: {0.80, 0.60, 0.40, 0.30, 0.20},
		0.15: {0.40, 0.30, 0.20, 0.20, 0.20},
		0.20: {0.30, 0.25, 0.20, 0.20, 0.20},
		0.25: {0.25, 0.20, 0.20, 0.20, 0.20},
	}
	var d delayFinder
	for charge, row := range byCharge {
		for i, delay := range row {
			flow := ExhaustFlow(4*charge*speeds[i]/120, 1, 14.7)
			d.seen = append(d.seen, passed{lagged: true, cycle: 90 / speeds[i], gas: math.Pow(flow, gasExponent), delay: delay, sigma: 0.02})
		}
	}
	f := d.fit()
	require.True(t, f.Fitted)
	squares := 0.0
	for _, p := range d.seen {
		r := p.delay - f.Model.Cycle*p.cycle - f.Model.Gas*p.gas - f.Model.Lag
		squares += r * r
	}
	assert.Less(t, math.Sqrt(squares/float64(len(d.seen))), 0.045)
	assert.InDelta(t, 0.8, DelayModel{1, f.Model.Gas, f.Model.Lag}.Total(800, ExhaustFlow(4*0.05*800/120, 1, 14.7)), 0.08)
	const between = 0.525 // s, between four of the map's points, by its own bilinear rule (derived)
	assert.InDelta(t, between, DelayModel{1, f.Model.Gas, f.Model.Lag}.Total(900, ExhaustFlow(4*0.10*900/120, 1, 14.7)), 0.12)
	assert.InDelta(t, 0.2, DelayModel{1, f.Model.Gas, f.Model.Lag}.Total(1500, ExhaustFlow(4*0.15*1500/120, 1, 14.7)), 0.08)
}

func TestDelayIsFound(t *testing.T) {
	// All speeds and flows of the made-up drive.
	points := []part{idling(0), cruising(0), pulling(0)}
	for _, row := range []struct {
		name   string
		delay  DelayModel
		change func(*made)
		fitted bool
		within float64
	}{
		{"an engine like the default", DefaultDelay(), func(*made) {}, true, 0.015},
		{"a long pipe and a slow sensor", DelayModel{1, 2.3, 0.12}, func(*made) {}, true, 0.02},
		{"a short pipe and a quick sensor", DelayModel{1, 0.8, 0.05}, func(*made) {}, true, 0.02},
		{"a slow converter", DelayModel{1, 2.3, 0.12}, func(m *made) { m.every = 10 }, true, 0.02},
		{"no air flow told", DelayModel{1, 1.2, 0.07}, func(m *made) { m.without = map[Quantity]bool{AirFlow: true} }, true, 0.1},
		{"the command is not told", DelayModel{1, 2.3, 0.12}, func(m *made) { m.without = map[Quantity]bool{CommandedLambda: true} }, false, 1},
		{"too short a drive", DelayModel{1, 2.3, 0.12}, func(m *made) { m.parts = []part{cruising(30)} }, false, 1},
		{"one operating point only", DelayModel{1, 2.3, 0.12}, func(m *made) { m.parts = []part{cruising(500)} }, false, 1},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := ordinary()
			m.delay, m.parts = row.delay, rounds(4)
			row.change(&m)
			f := m.observe().Delay()
			require.Equal(t, row.fitted, f.Fitted)
			if !row.fitted {
				assert.Equal(t, DefaultDelay(), f.Model, "the stated default")
				assert.Greater(t, f.Sigma, 0.03)
				return
			}
			for _, p := range points {
				assert.InDelta(t, row.delay.Total(p.rpm, p.exhaust()), f.Model.Total(p.rpm, p.exhaust()), row.within, "at %v 1/min", p.rpm)
			}
			assert.Less(t, f.Sigma, 0.02)
		})
	}
}

// Derived: a switch between two polls a time apart is uniform in between, so its σ is that over √12: 58 ms for 0.2 s; of ten
// such edges 18 ms.
func TestEdgeTiming(t *testing.T) {
	var d delayFinder
	for n := range 10 {
		at := time.Duration(n) * 10 * time.Second
		var p past
		for ms := 0; ms <= 4000; ms += 20 {
			f := frame{situation: situation{at: at + time.Duration(ms)*time.Millisecond}, state: Valid, volts: 2.5}
			for q, v := range map[Quantity]float64{EngineSpeed: 2000, AirFlow: 3.3} {
				f.is[q], f.since[q], f.known[q] = v, f.at, true
			}
			if ms >= 2000 {
				f.volts, f.state = 4.5, HighLimit
			}
			p.add(&f)
		}
		d.arrival(edge{from: at + 1500*time.Millisecond, to: at + 1700*time.Millisecond, timed: true}, &p)
	}
	require.Len(t, d.seen, 10)
	f := UnfittedDelay()
	f.step(d.seen)
	assert.InDelta(t, 0.018, math.Sqrt(f.GasVariance)*d.seen[0].gas, 0.002, "of the time that the gas takes")
	assert.InDelta(t, 0.4-edgeBias, f.Model.Cycle*d.seen[0].cycle+f.Model.Gas*d.seen[0].gas, 0.03)
}

// Cars whose computer does not tell the swing of closed loop: there are only steps and fuel cuts.
func TestDelayIsFoundByEdges(t *testing.T) {
	coasting := cutting(5) // slowly, shortly before standing
	coasting.rpm, coasting.flow = 1400, 2
	var parts []part
	r := rand.New(rand.NewPCG(5, 5)) // polls come whenever they come
	for range 12 {
		parts = append(parts, cruising(15+r.Float64()), pulling(6), cruising(12+r.Float64()), cutting(5), cruising(15+r.Float64()), coasting, idling(12))
	}
	for _, row := range []struct {
		name   string
		delay  DelayModel
		change func(*made)
		fitted bool
		within float64
	}{
		{"a switching sensor: the command in open loop only", DelayModel{1, 2.0, 0.11}, switching, true, 0.03},
		{"the same, a quick sensor and a short pipe", DelayModel{1, 1.0, 0.05}, switching, true, 0.03},
		{"the fuel system's status alone", DelayModel{1, 2.0, 0.11}, statusOnly, true, 0.04},
		{"the same, a quick sensor and a short pipe", DelayModel{1, 1.0, 0.05}, statusOnly, true, 0.04},
		{"a falling output", DelayModel{1, 2.0, 0.11}, func(m *made) {
			statusOnly(m)
			m.levels = levels(Law{Point{0.5, 1.35}, Point{4.5, 0.65}}, 5)
		}, true, 0.04},
		{"no fuel cut, one speed of pulls", DelayModel{1, 2.0, 0.11}, func(m *made) {
			statusOnly(m)
			m.parts = nil
			for range 12 {
				m.parts = append(m.parts, cruising(15.1), pulling(6.3))
			}
		}, false, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := ordinary()
			m.delay, m.parts = row.delay, parts
			row.change(&m)
			o := m.observe()
			f := o.Delay()
			require.Equal(t, row.fitted, f.Fitted)
			var dead, lag int
			for _, p := range o.delay.seen {
				if p.lagged {
					require.Zero(t, p.gas, "there is no swing to match")
					assert.InDelta(t, row.delay.Lag, p.delay, 3*p.sigma)
					lag++
					continue
				}
				assert.InDelta(t, row.delay.Dead(90/p.cycle, math.Pow(p.gas, 1/gasExponent)), p.delay, 0.3, "half of the time between two polls, and some")
				dead++
			}
			if !row.fitted {
				assert.Zero(t, dead)
				assert.Equal(t, DefaultDelay(), f.Model, "the stated default")
				return
			}
			assert.GreaterOrEqual(t, dead, 18, "two fuel cuts a round, save the few that the swing hides")
			assert.GreaterOrEqual(t, lag, 10, "a pull a round")
			for _, p := range []part{cruising(0), pulling(0), coasting} {
				assert.InDelta(t, row.delay.Total(p.rpm, p.exhaust()), f.Model.Total(p.rpm, p.exhaust()), row.within+2*f.At(p.exhaust()), "at %v 1/min", p.rpm)
			}
			assert.InDelta(t, row.delay.Lag, f.Model.Lag, row.within)
		})
	}
}

func switching(m *made) {
	m.change = func(_ float64, is *[quantities]float64) {
		if is[FuelStatus] == 2 {
			is[CommandedLambda] = 1
		}
	}
}

func statusOnly(m *made) {
	m.without = map[Quantity]bool{CommandedLambda: true, OwnLambda: true}
}

func TestAligner(t *testing.T) {
	m := DelayModel{1, 1.5, 0.07}
	const ms = time.Millisecond
	say := func(a *Aligner, at time.Duration, rpm, flow float64) {
		a.Engine(at, FuelStatus, 2)
		a.Engine(at, EngineSpeed, rpm)
		a.Engine(at, AirFlow, flow)
	}
	t.Run("steady", func(t *testing.T) {
		a := NewAligner(m)
		_, ok := a.Delay(0)
		assert.False(t, ok, "nothing was said yet")
		for at := time.Duration(0); at < 3*time.Second; at += 50 * ms {
			say(a, at, 800, 2.5)
		}
		d, ok := a.Delay(3 * time.Second)
		require.True(t, ok)
		assert.InDelta(t, m.Total(800, ExhaustFlow(2.5, 1, assumedAFRst)), d.Seconds(), 0.001)
		_, ok = a.Delay(6 * time.Second)
		assert.False(t, ok, "nothing was said for three seconds")
	})
	t.Run("what was slow to leave is pushed out by what follows", func(t *testing.T) {
		a := NewAligner(m)
		for at := time.Duration(0); at < 2*time.Second; at += 20 * ms {
			say(a, at, 800, 2.5)
		}
		for at := 2 * time.Second; at < 4*time.Second; at += 20 * ms {
			say(a, at, 3000, 50)
		}
		slow, quick := m.Total(800, ExhaustFlow(2.5, 1, assumedAFRst)), m.Total(3000, ExhaustFlow(50, 1, assumedAFRst))
		last := time.Duration(0)
		for at := 1900 * ms; at < 3*time.Second; at += 10 * ms {
			d, ok := a.Delay(at)
			require.True(t, ok)
			assert.LessOrEqual(t, d.Seconds(), slow+0.02)
			assert.GreaterOrEqual(t, d.Seconds(), quick-0.02)
			assert.GreaterOrEqual(t, at-d, last-time.Millisecond, "gas does not overtake")
			last = max(last, at-d)
		}
		d, _ := a.Delay(2*time.Second + 150*ms)
		assert.Less(t, d.Seconds(), 0.45, "long before the slow gas would have come by itself")
	})
	t.Run("a standing engine", func(t *testing.T) {
		a := NewAligner(m)
		say(a, 0, 0, 0)
		_, ok := a.Delay(ms)
		assert.False(t, ok)
	})
}
