package rig

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Derived: twice the pipe takes twice as long to be pushed out, and the lag stands for itself.
func TestPipeAndLag(t *testing.T) {
	plain, long := newExhaust(0, 0), newExhaust(5.2, 0.1)
	gas := func(e exhaust) float64 { return e.transportDelay(2500, 15, 1) - cycleDelay(2500) }
	assert.InDelta(t, 2*gas(plain), gas(long), 1e-9)
	assert.InDelta(t, 0.1, long.lag, 1e-9)

	a, b := New(Options{Length: time.Minute, Seed: 2}), New(Options{Length: time.Minute, Seed: 2, PipeLitres: 5.2, SensorLag: 100 * time.Millisecond})
	idle := meanOver(a, "idle", func(at time.Duration) float64 { return b.Truth().At(at).Delay - a.Truth().At(at).Delay })
	assert.InDelta(t, 0.49, idle, 0.06, "derived: 489 ms while idling")
}

// A controller's output is off by as much between the knots as at them: within the bound, all equally likely (σ is the bound
// over √3), without a jump.
func TestOutputError(t *testing.T) {
	const bound = 0.010
	for _, volts := range []float64{1, 1.07, 1.125, 1.64} {
		squares := 0.0
		for seed := range uint64(4000) {
			d := drive{o: Options{Seed: seed, OutputError: bound}}
			e := d.outputError(volts)
			assert.LessOrEqual(t, math.Abs(e), bound)
			assert.InDelta(t, e, d.outputError(volts+1e-6), 1e-6)
			squares += e * e
		}
		assert.InDelta(t, bound/math.Sqrt(3), math.Sqrt(squares/4000), 0.0002, "at %v V", volts)
	}
	a, b := drive{o: Options{Seed: 7, OutputError: bound}}, drive{o: Options{Seed: 7 + 1<<40, OutputError: bound}}
	assert.Equal(t, a.outputError(2.2), b.outputError(2.2), "the same controller")
}
