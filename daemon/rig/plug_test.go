package rig

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// meanOver is the mean of f over a phase's steady parts, sampled every 50 ms.
func meanOver(c *Car, phase string, f func(at time.Duration) float64) float64 {
	sum, n := 0.0, 0.0
	for _, p := range c.Truth().Phases() {
		if p.Name != phase || !p.Steady {
			continue
		}
		for at := p.From; at < p.To; at += 50 * time.Millisecond {
			sum += f(at)
			n++
		}
	}
	return sum / n
}

func TestChainFaults(t *testing.T) {
	o := Options{Length: 2 * time.Minute, Seed: 4}
	volts := func(c *Car, at time.Duration) float64 {
		a := converter(c.o.Bits)
		return float64(c.Truth().Code(at)) * a.ScaleMillivolts * a.Divider / 1000
	}
	warming := func(c *Car) float64 { return volts(c, c.Truth().Warm()/2) }
	plain := New(o)
	assert.InDelta(t, 5, warming(plain), 0.0005)

	for _, row := range []struct {
		name          string
		change        func(*Options)
		warm, cruise  float64 // volts at the plug
		warmWithin, w float64
	}{
		{"line loss", func(o *Options) { o.LineLoss = 0.04 }, 4.8, 0.96 * 2.5, 0.001, 0.015},
		{"ground shift", func(o *Options) { o.GroundOffset = -0.1 }, 4.9, 2.4, 0.001, 0.015},
		{"the heater's current", func(o *Options) { o.HeaterOffset = 0.06 }, 5.06, 2.5, 0.001, 0.015},
		{"12 bits without a sign end below 5 V", func(o *Options) { o.Bits = 12 }, 4095 * 3.3 / 4096 * 1.5, 2.5, 1e-9, 0.015},
		{"not plugged in", func(o *Options) { o.Plug = Open }, 0, 0, 0.005, 0.005},
		{"floating", func(o *Options) { o.Plug = Floating }, 1.8, 1.6, 2, 0.8},
		{"frozen", func(o *Options) { o.Plug = Frozen }, 2.1, 2.1, 0.6, 0.6},
		{"an output off its law", func(o *Options) { o.OutputError = 0.05 }, 5, 2.5, 0.05, 0.06},
	} {
		t.Run(row.name, func(t *testing.T) {
			o := o
			row.change(&o)
			c := New(o)
			assert.InDelta(t, row.warm, warming(c), row.warmWithin)
			assert.InDelta(t, row.cruise, meanOver(c, "cruise", func(at time.Duration) float64 { return volts(c, at) }), row.w)
		})
	}
	t.Run("a frozen converter stands still", func(t *testing.T) {
		o := o
		o.Plug, o.NoiseVolts = Frozen, 0.005
		c := New(o)
		assert.Equal(t, c.Truth().Code(30*time.Second), c.Truth().Code(90*time.Second))
	})
}

func TestSensorFaults(t *testing.T) {
	o := Options{Length: 2 * time.Minute, Seed: 4}
	sensor := func(c *Car) func(time.Duration) float64 {
		return func(at time.Duration) float64 { return c.Truth().At(at).LambdaSensor }
	}
	own := func(c *Car) func(time.Duration) float64 {
		return func(at time.Duration) float64 { return c.Truth().At(at).LambdaECU }
	}
	plain := New(o)

	bias := o
	bias.ClosedLoopBias = 0.004
	c := New(bias)
	assert.InDelta(t, 0.004, meanOver(c, "cruise", sensor(c))-meanOver(plain, "cruise", sensor(plain)), 0.0002, "the mixture is off")
	assert.InDelta(t, meanOver(plain, "cruise", own(plain)), meanOver(c, "cruise", own(c)), 0.0002, "and its own sensor does not see it")

	exaggerates := o
	exaggerates.OwnSensorError, exaggerates.ElementError = 0.1, -0.1
	c = New(exaggerates)
	truth := meanOver(c, "pull", sensor(c))
	assert.InDelta(t, 1+1.1*(truth-1), meanOver(c, "pull", own(c)), 0.002)
	assert.InDelta(t, 1+0.9*(truth-1), meanOver(c, "pull", func(at time.Duration) float64 {
		return lowLambda + (c.Truth().At(at).ControllerVolts-lowVolts)*(highLambda-lowLambda)/(highVolts-lowVolts)
	}), 0.002)

	leak := o
	leak.Leak = 0.02
	c = New(leak)
	idle := meanOver(c, "idle", sensor(c)) - meanOver(plain, "idle", sensor(plain))
	// Derived: 1 % of the exhaust's mass is 0.0107 at λ 1.
	assert.InDelta(t, 0.0214, idle, 0.004)
	assert.Less(t, meanOver(c, "cruise", sensor(c))-meanOver(plain, "cruise", sensor(plain)), idle/3)
	assert.Less(t, math.Abs(meanOver(c, "idle", own(c))-meanOver(plain, "idle", own(plain))), 0.0005)
}

// A car of the same seed is the same, whatever the wiring.
func TestFaultsDoNotMoveTheEngine(t *testing.T) {
	a := New(Options{Length: time.Minute, Seed: 9})
	b := New(Options{Length: time.Minute, Seed: 9, LineLoss: 0.1, Plug: Open, Bits: 12, OutputError: 0.01, Leak: 0.05})
	for at := time.Duration(0); at < time.Minute; at += time.Second {
		require.Equal(t, a.Truth().At(at).RPM, b.Truth().At(at).RPM)
		require.Equal(t, a.Truth().At(at).LambdaCylinder, b.Truth().At(at).LambdaCylinder)
	}
}

// A level that the controller holds is there whatever the car does, through the same chain.
func TestHeldLevels(t *testing.T) {
	for _, row := range []struct {
		name string
		o    Options
		want float64
	}{
		{"the warm-up level", Options{Held: true, HeldVolts: WarmupVolts, LineLoss: 0.04, HeaterOffset: 0.02}, 4.82},
		{"a level that was set: the heater's current is another", Options{Held: true, HeldVolts: 2.5, LineLoss: 0.04, GroundOffset: 0.1, HeaterOffset: 0.02}, 2.5},
		{"0 V", Options{Held: true, GroundOffset: 0.1}, 0.1},
		{"touching the supply", Options{Held: true, HeldVolts: 2.5, Plug: AtSupply}, 6.143},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := New(row.o)
			for _, at := range []time.Duration{0, time.Second, 30 * time.Second, time.Hour} {
				a := converter(16)
				assert.InDelta(t, row.want, float64(c.Truth().Code(at))*a.ScaleMillivolts*a.Divider/1000, 0.001, "at %v", at)
			}
		})
	}
}
