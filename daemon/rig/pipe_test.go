package rig

import (
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
