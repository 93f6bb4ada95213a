package mixture

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// rounds is a drive that shows everything: cruise, full load, fuel cut, idle.
func rounds(n int) (parts []part) {
	for range n {
		parts = append(parts, cruising(36), pulling(6), cutting(5), cruising(3), idling(46))
	}
	return parts
}

func ordinary() made {
	return made{parts: rounds(3), levels: outside(), chain: Chain{0.95, 0.06}, noise: 0.005, delay: DefaultDelay(), seed: 1}
}

func TestObserverFindsLevels(t *testing.T) {
	for _, row := range []struct {
		name   string
		change func(*made)
		kinds  []Kind
	}{
		{"everything", func(*made) {}, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"a falling output", func(m *made) { m.levels = levels(Law{Point{0.5, 1.35}, Point{4.5, 0.65}}, 5) }, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"a slow converter", func(m *made) { m.every = 10 }, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"two fuel cuts are too few", func(m *made) { m.parts = rounds(2) }, []Kind{CruiseKind, IdleKind, OwnSensorKind}},
		{"no wide-range sensor of its own", func(m *made) { m.without = map[Quantity]bool{OwnLambda: true} }, []Kind{CruiseKind, IdleKind, FuelCutKind}},
		{"no commanded λ, no air flow", func(m *made) { m.without = map[Quantity]bool{CommandedLambda: true, AirFlow: true} }, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"load instead of pressure", func(m *made) {
			m.without = map[Quantity]bool{ManifoldPressure: true}
			m.change = func(_ float64, is *[quantities]float64) { is[EngineLoad] -= 5 }
		}, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"no fuel status", func(m *made) { m.without = map[Quantity]bool{FuelStatus: true} }, []Kind{FuelCutKind, OwnSensorKind}},
		{"the engine is cold", func(m *made) { m.change = func(_ float64, is *[quantities]float64) { is[Coolant] = 60 } }, []Kind{FuelCutKind, OwnSensorKind}},
		{"just started", func(m *made) { m.change = func(_ float64, is *[quantities]float64) { is[RunTime] = 100 } }, []Kind{FuelCutKind, OwnSensorKind}},
		{"no car at all", func(m *made) {
			m.without = map[Quantity]bool{}
			for q := range quantities {
				m.without[q] = true
			}
		}, nil},
		{"the speed hunts", func(m *made) {
			m.change = func(t float64, is *[quantities]float64) { is[EngineSpeed] += 150 * math.Sin(t/3) }
		}, []Kind{FuelCutKind, OwnSensorKind}},
		{"trims far off", func(m *made) { m.change = func(_ float64, is *[quantities]float64) { is[ShortTrim] = 8 } }, []Kind{FuelCutKind, OwnSensorKind}},
		{"a command that is not λ = 1", func(m *made) {
			m.change = func(_ float64, is *[quantities]float64) { is[CommandedLambda] -= 0.02 }
		}, []Kind{FuelCutKind, OwnSensorKind}},
		{"the top is the converter's own", func(m *made) {
			m.plug = func(_, volts float64) float64 { return min(volts, 4.25) }
		}, []Kind{CruiseKind, IdleKind, OwnSensorKind}},
		{"the converter ends in the noise of the top", func(m *made) {
			m.ends = Ends{-0.001, 4.34}
			m.plug = func(_, volts float64) float64 { return min(volts, 4.34) }
		}, []Kind{CruiseKind, IdleKind, OwnSensorKind}},
		{"a top below the law's end", func(m *made) { m.levels = withTop(m.levels, 4.3) }, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"a top above the law's end", func(m *made) { m.levels = withTop(m.levels, 4.8) }, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"the top stands still, and the mixture does not", func(m *made) {
			m.plug = stillTop
		}, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"the same, well inside a converter's range", func(m *made) {
			m.plug, m.ends = stillTop, Ends{-6.144, 6.144}
		}, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
		{"a top of one code, inside a converter's range", func(m *made) {
			m.plug, m.ends = func(_, volts float64) float64 { return min(volts, 4.335) }, Ends{0, 5}
		}, []Kind{CruiseKind, IdleKind, FuelCutKind, OwnSensorKind}},
	} {
		t.Run(row.name, func(t *testing.T) {
			m := ordinary()
			row.change(&m)
			var kinds []Kind
			for _, l := range m.observe().Levels() {
				kinds = append(kinds, l.Kind)
				assert.InDelta(t, m.chain.Seen(l.Known), l.Seen, 0.006, "%s", l.Kind)
				assert.GreaterOrEqual(t, l.Random, Repeatability)
				assert.Less(t, l.Random, 0.008, "%s", l.Kind)
			}
			assert.Equal(t, row.kinds, kinds)
		})
	}
}

// stillTop is a clipped output that stands within two of its steps (common practice, no source): σ 0.3 mV, where exhaust pulses and
// the loop make 5 mV elsewhere. The top is at 4.335 V.
func stillTop(t, volts float64) float64 {
	const top = 0.95*4.5 + 0.06
	if volts > top-0.03 {
		return top + 0.0003*math.Sin(1e5*t)*math.Sqrt2
	}
	return volts
}

// A warm-up level is no known level where the converter cuts it off.
func TestWarmupAtTheConvertersEnd(t *testing.T) {
	for _, row := range []struct {
		name        string
		ends        Ends
		seen, sigma float64
		want        bool
	}{
		{"quiet, inside", Ends{-6.144, 6.144}, 4.9, 0.0003, true},
		{"quiet, the range not known", Ends{}, 4.9, 0.0003, true},
		{"at the upper end", Ends{0, 4.95}, 4.95, 0, false},
		{"its noise reaches the upper end", Ends{0, 4.95}, 4.94, 0.005, false},
		{"at 0 V of a converter that reads nothing below", Ends{0, 5}, 0.001, 0.001, false},
		{"at 0 V of one that does", Ends{-5, 5}, 0.001, 0.001, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			o := NewObserver(outside())
			o.Converter(row.ends)
			o.Warmup(3*time.Second, 5, row.seen, row.sigma, 400)
			assert.Equal(t, row.want, len(o.Levels()) == 1)
		})
	}
}

// The stated random uncertainty of λ = 1, without what drives differ by, is what many drives scatter by.
func TestClosedLoopIsCalibrated(t *testing.T) {
	var z2, n float64
	for seed := range uint64(16) {
		m := ordinary()
		m.seed, m.parts = seed, []part{cruising(130)}
		o := m.observe()
		require.Len(t, o.cruise.windows, 2)
		for _, w := range o.cruise.windows {
			z := (w.seen.mean - m.chain.Seen(m.levels.Law.Volts(w.known))) / w.seen.sigma
			z2, n = z2+z*z, n+1
			assert.InDelta(t, 0.005, w.noise, 0.0005)
		}
	}
	assert.InDelta(t, 1, z2/n, 0.7)
}

// Closed loop idles at a mean λ of 1.000 ± 0.005 (a public log, common practice): idling leaner than cruise by no more than that is no
// leak, and by 0.02 it is one.
func TestClosedLoopTolerance(t *testing.T) {
	slope := math.Abs(outside().Law.Slope())
	for leaner, want := range map[float64]bool{-0.02: false, 0: false, 0.005: false, 0.02: true} {
		levels := shown(Chain{Gain: 1}, CruiseKind, IdleKind)
		levels[1].Seen += leaner / slope
		for i := range levels {
			levels[i].Random = 0.002 / slope
		}
		f := Judge(outside(), levels)
		assert.Equal(t, want, f.Verdict == LeakLike, "%v λ", leaner)
	}
}

// Check values of closed loop as measured in a car (a public log: swings of ±1.5 %, 0.25 to 0.31 Hz, a mean of 1.000 ± 0.005).
func TestAverageOverWholeSwings(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, hertz := range []float64{0.255, 0.28, 0.305, 1.5} {
		for _, phase := range []float64{0, 1, 2, 3, 4, 5} {
			blocks := make([]float64, 310)
			for i := range blocks {
				blocks[i] = 1 + 0.015*math.Sin(2*math.Pi*hertz*float64(i)/10+phase) + 0.001*r.NormFloat64()
			}
			e := average(blocks)
			assert.InDelta(t, 1, e.mean, 0.0006, "%v Hz", hertz)
			assert.Less(t, e.sigma, 0.001, "a swing is no noise")
			assert.Greater(t, e.sigma, 0.00001)
		}
	}
}

// What an average is stated to be known to is what averages scatter by, whatever the noise is: of many draws 95 % lie within two
// standard uncertainties, fewer where the noise is correlated over a good part of the stretch. Simulated; for the autoregressive
// process with ρ = 0.846 from one block to the next and σ = 0.012, 300 blocks are worth 25 and their mean is known to 0.0024 (derived).
func TestAnAverageIsKnownAsStated(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	process := func(n int, rho, sigma float64) []float64 {
		x, blocks := sigma*r.NormFloat64(), make([]float64, n)
		for i := range blocks {
			x = rho*x + sigma*math.Sqrt(1-rho*rho)*r.NormFloat64()
			blocks[i] = x
		}
		return blocks
	}
	with := func(blocks []float64, f func(i int) float64) []float64 {
		for i := range blocks {
			blocks[i] += f(i)
		}
		return blocks
	}
	swing := func(hertz float64) func(i int) float64 {
		phase := 2 * math.Pi * r.Float64()
		return func(i int) float64 {
			return 0.015*math.Sin(2*math.Pi*hertz*float64(i)/10+phase) + 0.001*r.NormFloat64()
		}
	}
	for _, row := range []struct {
		name    string
		draw    func(n int) []float64
		scatter float64 // of the means of 300; 0 if not derived
		within  float64 // share within two standard uncertainties, at least
	}{
		{"no correlation", func(n int) []float64 { return process(n, 0, 0.012) }, 0.012 / math.Sqrt(300), 0.93},
		{"the reference's process", func(n int) []float64 { return process(n, 0.846, 0.012) }, 0.0024, 0.92},
		{"correlated over 2 s", func(n int) []float64 { return process(n, math.Exp(-1.0/20), 0.012) }, 0, 0.86},
		{"over 5 s, beside white noise", func(n int) []float64 {
			return with(process(n, math.Exp(-1.0/50), 0.006), func(int) float64 { return 0.012 * r.NormFloat64() })
		}, 0, 0.76},
		{"swings of 0.28 Hz", func(n int) []float64 { return with(make([]float64, n), swing(0.28)) }, 0, 0.92},
		{"swings of 1.5 Hz", func(n int) []float64 { return with(make([]float64, n), swing(1.5)) }, 0, 0.92},
		{"swings, and noise over 5 s", func(n int) []float64 { return with(process(n, math.Exp(-1.0/50), 0.004), swing(0.3)) }, 0, 0.76},
	} {
		t.Run(row.name, func(t *testing.T) {
			for _, n := range []int{300, 600} {
				const draws = 1000
				within, square := 0, 0.0
				for range draws {
					e := average(row.draw(n))
					square += e.mean * e.mean / draws
					if math.Abs(e.mean) <= 2*e.sigma {
						within++
					}
				}
				assert.GreaterOrEqual(t, float64(within)/draws, row.within, "of %d blocks", n)
				if row.scatter > 0 {
					assert.InEpsilon(t, row.scatter*math.Sqrt(300/float64(n)), math.Sqrt(square), 0.12)
				}
			}
		})
	}
}

func TestFuelCutPlateau(t *testing.T) {
	run := func(f func(t float64) float64) (frames []still) {
		r := rand.New(rand.NewPCG(2, 2))
		for i := range 100 {
			frames = append(frames, still{at: time.Duration(i) * frameTime, volts: f(float64(i)*0.02) + 0.003*r.NormFloat64()})
		}
		return frames
	}
	_, ok := settled(run(func(float64) float64 { return 4.4 }))
	assert.True(t, ok)
	_, ok = settled(run(func(t float64) float64 { return 4.4 - 0.05*math.Exp(-t/0.8) }))
	assert.False(t, ok, "still on its way")
	_, ok = settled(run(func(t float64) float64 { return 4.4 + 0.04*math.Sin(6*t) }))
	assert.False(t, ok, "moving")

	at := func(volts ...float64) (all []cutPlateau) {
		for _, v := range volts {
			all = append(all, cutPlateau{mean: v, sigma: 0.001, noise: 0.005})
		}
		return all
	}
	c := newCuts(outside().Law)
	c.top = 4.40
	c.plateaus = at(4.400, 4.401, 4.399, 4.385)
	o, ok := c.level(outside(), 0.005)
	require.True(t, ok)
	assert.InDelta(t, 4.400, o.Seen, 0.0005, "the outlier is left out")
	c.top = 4.6
	_, ok = c.level(outside(), 0.005)
	assert.False(t, ok, "the output went higher elsewhere: this was no end")
	assert.True(t, math.IsNaN(median(nil)))

	// Derived: of these the median is 1.02 and the median deviation 0.01, so that 1.50 lies beyond 0.0519. The rest has a mean of
	// 1.020, and the mean a standard error of 0.0041.
	c.top, c.plateaus = 1.03, at(1.02, 1.03, 1.01, 1.02, 1.50)
	assert.Equal(t, at(1.02, 1.03, 1.01, 1.02), withoutOutliers(c.plateaus))
	assert.Len(t, withoutOutliers(at(1.02, 1.03, 1.01, 1.02, 1.0715)), 5, "just within")
	assert.Len(t, withoutOutliers(at(1.02, 1.03, 1.01, 1.02, 1.0725)), 4, "just beyond")
	o, ok = c.level(outside(), 0.005)
	require.True(t, ok)
	assert.InDelta(t, 1.020, o.Seen, 1e-6)
	assert.InDelta(t, 0.0041, o.Random, 0.0001)
}

// A λ of the car's own sensor at the end of its range (the word FF00 and above) tells a fuel cut, and no mixture, if it stays there for
// more than a second while the throttle is shut (SAE J1979, as published widely, for the word; the second is common practice).
func TestFuelCutByTheOwnSensorAlone(t *testing.T) {
	for _, row := range []struct {
		name    string
		own     float64
		load    float64
		seconds float64
		seen    int
	}{
		{"long", 0xFF00 / 32768.0, 4, 2.5, 1},
		{"a full range of it", 0xFFFF / 32768.0, 4, 2.5, 1},
		{"shorter than a second", 0xFF00 / 32768.0, 4, 0.9, 0},
		{"below the end", 0xFC00 / 32768.0, 4, 2.5, 0},
		{"under load", 0xFF00 / 32768.0, 60, 2.5, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := newCuts(outside().Law)
			for i := range int(row.seconds / frameTime.Seconds()) {
				f := frame{situation: situation{at: time.Duration(i) * frameTime}, volts: 4.4, state: HighLimit, n: 1}
				for q, v := range map[Quantity]float64{EngineSpeed: 2400, EngineLoad: row.load, OwnLambda: row.own} {
					f.is[q], f.since[q], f.known[q] = v, f.at, true
				}
				c.feed(&f)
			}
			c.finish()
			assert.Len(t, c.plateaus, row.seen)
		})
	}
}

func TestDeming(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	var s sums
	for range 4000 {
		x := 1.0
		if r.IntN(2) == 0 {
			x = 0.86
		}
		x += 0.02 * r.NormFloat64()
		s.add(x+0.01*r.NormFloat64(), 5.7*x-3.2+0.057*r.NormFloat64())
	}
	slope, intercept, residual := s.deming(5.7 * 5.7)
	assert.InDelta(t, 5.7, slope, 0.06)
	assert.InDelta(t, -3.2, intercept, 0.06)
	assert.InDelta(t, math.Hypot(0.057, 5.7*0.01), residual, 0.005, "derived")
	mx, _, sxx, sxy, _ := s.moments()
	assert.Greater(t, mx, 0.0)
	assert.Less(t, sxy/sxx, 5.7*0.99, "ordinary least squares would put the slope too low")
}

// A lag between both sensors is found and taken out.
func TestOwnSensorLag(t *testing.T) {
	m := ordinary()
	o := NewObserver(m.levels)
	m.drive(func(at time.Duration, q Quantity, v float64) {
		if q == OwnLambda {
			at -= 120 * time.Millisecond // the car's own sensor sits nearer to the engine
		}
		o.Engine(max(0, at), q, v)
	}, func(at time.Duration, volts float64, s State) { o.Reading(at, volts, s) })
	lag, _ := o.own.best()
	assert.InDelta(t, 0.12, lag.Seconds(), 0.021)
}

// Reading on after Finish, and readings that make no sense, do no harm.
func TestObserverOddReadings(t *testing.T) {
	o := NewObserver(outside())
	o.Engine(0, EngineSpeed, math.NaN())
	o.Engine(0, quantities, 1)
	o.Reading(0, math.NaN(), Valid)
	o.Reading(time.Second, 2.5, Valid)
	o.Reading(0, 2.5, Valid)
	o.Finish()
	o.Reading(2*time.Second, 2.5, Valid)
	assert.Empty(t, o.Levels())
	assert.Zero(t, o.Found())
	_, known := o.Burning()
	assert.False(t, known)
	o.Warmup(3*time.Second, 5, 4.9, 0.004, 400)
	require.Len(t, o.Levels(), 1)
	assert.Equal(t, WarmupKind, o.Levels()[0].Kind)
	assert.Equal(t, 1, o.Found())
}

func TestBurning(t *testing.T) {
	type told map[Quantity]float64
	for _, row := range []struct {
		name       string
		told       told
		yes, known bool
	}{
		{"idle", told{EngineSpeed: 800, FuelStatus: 2}, true, true},
		{"cold", told{EngineSpeed: 1200, FuelStatus: 1}, true, true},
		{"the engine stands", told{EngineSpeed: 0, FuelStatus: 0}, false, true},
		{"full load", told{EngineSpeed: 4000, FuelStatus: 4, ManifoldPressure: 97}, true, true},
		{"fuel cut", told{EngineSpeed: 3000, FuelStatus: 4, ManifoldPressure: 22}, false, true},
		{"fuel cut, by load", told{EngineSpeed: 3000, FuelStatus: 4, EngineLoad: 5}, false, true},
		{"rich by command", told{EngineSpeed: 3000, FuelStatus: 4, ManifoldPressure: 40, CommandedLambda: 0.9}, true, true},
		{"load or fuel cut, and nothing tells", told{EngineSpeed: 3000, FuelStatus: 4}, false, false},
		{"its own sensor in air", told{EngineSpeed: 3000, FuelStatus: 4, OwnLambda: 1.99997}, false, true},
		{"its own sensor in air, under load", told{EngineSpeed: 3000, FuelStatus: 4, OwnLambda: 1.99997, EngineLoad: 80}, true, true},
		{"no speed", told{FuelStatus: 2}, false, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			o := NewObserver(outside())
			for q, v := range row.told {
				o.Engine(time.Second, q, v)
			}
			yes, known := o.Burning()
			assert.Equal(t, row.known, known)
			assert.Equal(t, row.yes, yes)
		})
	}
}

func BenchmarkObserver(b *testing.B) {
	m := ordinary()
	o := NewObserver(m.levels)
	at := time.Duration(0)
	b.ReportAllocs()
	for b.Loop() {
		at += 10 * time.Millisecond
		o.Engine(at, EngineSpeed, 800)
		o.Reading(at, 2.5, Valid)
	}
}
