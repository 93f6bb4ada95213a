package rig

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Hand-worked values: 2.0 l, 3000 1/min, 95 kPa, 30 °C, efficiency 0.85 by Heywood's eq. 2.27 (46.40 g/s), the
// absolute load of that by SAE J1979's definition (78.4 %), and a real engine's log: 215.27 g/s at 6219 1/min,
// 3.726 l, 97 kPa and 37 °C, which its author printed as 102.3 % efficiency.
func TestAirFlow(t *testing.T) {
	assert.InDelta(t, 46.40, speedDensity(0.85, 95, 3000, 30), 0.02)
	assert.InDelta(t, 0.85, volumetric(3000, 95), 0.001)
	assert.InDelta(t, 78.4, loadAbsolute(46.40, 3000), 0.1)
	assert.InDelta(t, 215.27*displacement*1000/3.726, speedDensity(1.023, 97, 6219, 37), 0.1)
}

// Dead times of an invented 2.0 l four with 2.6 l to the sensor, worked by hand from V·p/(R·T·flow) and 90/N.
func TestTransportDelay(t *testing.T) {
	for _, c := range []struct {
		name             string
		rpm, maf, lambda float64
		want             float64 // s
	}{
		{"idle", 800, 2.5, 1, 0.602},
		{"cruise", 2500, 15, 1, 0.100},
		{"middle load", 3000, 46.4, 1, 0.050},
		{"full load", 6000, 130, 0.87, 0.022},
	} {
		t.Run(c.name, func(t *testing.T) {
			e := newExhaust(0, 0)
			assert.InEpsilon(t, c.want, e.transportDelay(c.rpm, c.maf, c.lambda), 0.02)
		})
	}
}

// Wet oxygen of complete combustion of CH1.87: 3.31 % at λ 1.20, 10.14 % at 2.0 (computed from the stoichiometry of
// the published mean petrol molecule, Heywood). The way back must be exact on both sides.
func TestOxygen(t *testing.T) {
	assert.InDelta(t, 0.0331, oxygen(1.20), 5e-5)
	assert.InDelta(t, 0.1014, oxygen(2.0), 5e-5)
	for _, lambda := range []float64{0.65, 0.86, 1, 1.35, 5} {
		assert.InDelta(t, lambda, lambdaOf(oxygen(lambda)), 1e-9)
	}
}

// A step in the cylinders must show at the sensor after the dead time, plus a lag that has 63 % after its constant.
func TestStepThroughTheExhaust(t *testing.T) {
	for _, c := range []struct {
		name     string
		rpm, maf float64
	}{{"idle", 800, 2.5}, {"cruise", 2500, 15}, {"full load", 6000, 90}} {
		t.Run(c.name, func(t *testing.T) {
			e, dt := newExhaust(0, 0), step.Seconds()
			for range 2000 {
				e.advance(c.rpm, c.maf, 1, 0, dt)
			}
			var left, grown float64
			for n := 1; grown == 0; n++ {
				require.Less(t, n, 2000)
				lambda, _, _ := e.advance(c.rpm, c.maf, 0.9, 0, dt)
				if left == 0 && lambda < 0.9999 {
					left = float64(n) * dt
				}
				if grown == 0 && lambda < lambdaOf(oxygen(0.9)*0.632) {
					grown = float64(n) * dt
				}
			}
			assert.InDelta(t, e.transportDelay(c.rpm, c.maf, 0.95), left, 0.02)
			assert.InDelta(t, elementLag, grown-left, 0.011)
		})
	}
}

func TestThrottleAngleFollowsPressure(t *testing.T) {
	closed, part, open := throttleAngle(30, 820), throttleAngle(45, 2500), throttleAngle(wideOpen(3000), 3000)
	assert.InDelta(t, 15, closed, 2) // common practice, no source: a closed throttle reads about 15 %
	assert.Greater(t, part, closed+1)
	assert.InDelta(t, 88, open, 0.5)
}

// The phases must cover the drive without a gap, in the order of driving, and hold the steady states.
func TestRoute(t *testing.T) {
	for _, length := range []time.Duration{10 * time.Second, 20 * time.Second, time.Minute, 77 * time.Second, 10 * time.Minute, 3 * time.Hour} {
		t.Run(length.String(), func(t *testing.T) {
			list := phases(route(length))
			at := time.Duration(0)
			steady := map[string]time.Duration{}
			for _, p := range list {
				require.Equal(t, at, p.From, "%s begins where the one before ended", p.Name)
				require.Greater(t, p.To, p.From, p.Name)
				at = p.To
				if p.Steady {
					steady[p.Name] = max(steady[p.Name], p.To-p.From)
				}
			}
			assert.InDelta(t, length.Seconds(), at.Seconds(), 1e-6)
			assert.Equal(t, "key on", list[0].Name)
			assert.Equal(t, "off", list[len(list)-1].Name)
			for _, name := range []string{"idle", "cruise", "pull"} {
				assert.Contains(t, steady, name)
				if length >= time.Minute {
					assert.GreaterOrEqual(t, steady[name], 3*time.Second, name)
				}
			}
		})
	}
}

// mean and swing of a quantity over a stretch, sampled every 10 ms.
func over(d *drive, from, to time.Duration, quantity func(State) float64) (mean, low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	n := 0.0
	for at := from; at < to; at += 10 * time.Millisecond {
		v := quantity(d.at(at))
		mean, low, high, n = mean+v, min(low, v), max(high, v), n+1
	}
	return mean / n, low, high
}

// What a closed loop looks like: a public log of a car with wide-range sensors has an idle mean of 0.998 to 0.999 and
// a commanded swing of 1.54 to 1.58 % with periods of 3.3 to 3.9 s. Enrichment at full load is 0.75 to 0.90 and a
// fuel cut is at the end of the scale (common practice, no source).
func TestDriveLooksLikeADrive(t *testing.T) {
	d := simulate(Demo(2*time.Minute, 1).withDefaults())
	sensor := func(s State) float64 { return s.LambdaSensor }
	seen := map[string]int{}
	for _, p := range d.phases {
		switch {
		case p.Steady && (p.Name == "idle" || p.Name == "cruise"):
			period := seconds(1 / ditherHertz)
			whole := p.From + (p.To-p.From)/period*period
			mean, low, high := over(&d, p.From, whole, sensor)
			assert.InDelta(t, 1, mean, 0.004, "%s at %v", p.Name, p.From)
			assert.InDelta(t, 0.03, high-low, 0.012)
			_, low, high = over(&d, p.From, p.To, func(s State) float64 { return s.RPM })
			assert.Less(t, high-low, 80.0, "steady speed in %s", p.Name)
		case p.Steady:
			mean, low, high := over(&d, p.From, p.To, sensor)
			assert.InDelta(t, 0.86, mean, 0.004)
			assert.Less(t, high-low, 0.02)
			load, _, _ := over(&d, p.From, p.To, func(s State) float64 { return s.Load })
			assert.Greater(t, load, 98.0)
		case p.Name == "fuel cut":
			s := d.at(p.To - 100*time.Millisecond)
			assert.Equal(t, highVolts, s.ControllerVolts)
			assert.Equal(t, byte(4), s.FuelStatus)
			assert.Less(t, s.MAP, 30.0)
		case p.Name == "stop":
			s := d.at(p.To - 100*time.Millisecond)
			assert.Zero(t, s.RPM)
			assert.True(t, s.Ignition)
		case p.Name == "off":
			s := d.at(p.To)
			assert.False(t, s.Ignition)
			assert.Zero(t, s.ControllerVolts)
		}
		seen[p.Name]++
	}
	assert.Len(t, seen, 11)
	assert.Equal(t, warmupVolts, d.at(d.warm-time.Millisecond).ControllerVolts)
	assert.Less(t, d.at(d.warm).ControllerVolts, highVolts)
}

func TestQuantitiesStayInTheirRanges(t *testing.T) {
	d := simulate(Demo(90*time.Second, 5).withDefaults())
	for i, s := range d.rows {
		at := time.Duration(i) * d.interval
		for name, v := range map[string][3]float64{
			"RPM": {0, s.RPM, 6300}, "MAP": {15, s.MAP, ambient}, "MAF": {0, s.MAF, 110}, "throttle": {10, s.Throttle, 90},
			"load": {0, s.Load, 100}, "absolute load": {0, s.LoadAbs, 100}, "coolant": {19, s.Coolant, 95},
			"speed": {-0.1, s.Speed, 135}, "STFT": {-5, s.STFT, 5}, "LTFT": {1, s.LTFT, 5.5}, "supply": {10, s.SupplyVolts, 14.5},
			"cylinder": {0.8, s.LambdaCylinder, air}, "sensor": {0.8, s.LambdaSensor, air}, "controller": {0, s.ControllerVolts, 5},
		} {
			if !(v[1] >= v[0] && v[1] <= v[2]) {
				require.Fail(t, "out of range", "%s is %g at %v", name, v[1], at)
			}
		}
	}
}

func TestSameSeedSameDrive(t *testing.T) {
	a, b, c := simulate(Demo(20*time.Second, 3).withDefaults()), simulate(Demo(20*time.Second, 3).withDefaults()), simulate(Demo(20*time.Second, 4).withDefaults())
	assert.Equal(t, a.rows, b.rows)
	assert.NotEqual(t, a.rows, c.rows)
	for at := time.Duration(0); at < 20*time.Second; at += 77 * time.Millisecond {
		require.Equal(t, a.code(at), b.code(at))
	}
}

// 5.000 V with 3 % lost and 5 mV added, behind the divider, is 3.2367 V or code 25893 at 0.125 mV.
func TestCodesOfTheChain(t *testing.T) {
	o := Demo(time.Minute, 9)
	o.NoiseVolts = 0
	d := simulate(o.withDefaults())
	assert.Equal(t, int32(25893), d.code(5*time.Second))

	d = simulate(Demo(time.Minute, 9).withDefaults())
	var sum, squares, n float64
	for at := time.Second; at < 8*time.Second; at += 5 * time.Millisecond {
		v := float64(d.code(at)-25893) * converter(16).ScaleMillivolts * divider / 1000
		sum, squares, n = sum+v, squares+v*v, n+1
	}
	assert.InDelta(t, 0, sum/n, 0.0005)
	assert.InDelta(t, 0.003, math.Sqrt(squares/n), 0.0004)
}

func BenchmarkSimulateMinute(b *testing.B) {
	o := Demo(time.Minute, 1).withDefaults()
	for b.Loop() {
		simulate(o)
	}
}

func BenchmarkCode(b *testing.B) {
	d := simulate(Demo(time.Minute, 1).withDefaults())
	for i := 0; b.Loop(); i++ {
		d.code(time.Duration(i%60000) * time.Millisecond)
	}
}

// A drive that is driven again is the same drive, with the car parked in between.
func TestAgain(t *testing.T) {
	o := Demo(time.Minute, 4).withDefaults()
	once := simulate(o)
	o.Again = 10 * time.Hour
	twice := simulate(o)
	for at := time.Duration(0); at < time.Minute; at += 777 * time.Millisecond {
		require.Equal(t, once.at(at), twice.at(at))
		require.Equal(t, once.at(at), twice.at(at+o.Again))
	}
	parked := twice.at(5 * time.Hour)
	assert.False(t, parked.Ignition)
	assert.InDelta(t, 12.6, parked.SupplyVolts, 0.05)
	assert.Zero(t, parked.ControllerVolts)
}
