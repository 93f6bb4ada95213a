package mixture

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// The rule in λ is the rule in volts where the error is a loss, on the 10 to 20 AFR scale (the errors derived: (d/5)(λ − λ at 0 V)), and
// stricter where it is a shifted ground.
func TestLetBe(t *testing.T) {
	l := lawA()
	error := func(c Chain, lambda float64) float64 {
		v := l.Volts(lambda)
		return math.Abs(l.Lambda(c.Seen(v)) - l.Lambda(v))
	}
	for missing, lost := range map[float64]float64{0.1: 0.0064, 0.15: 0.0096, 0.2: 0.0128, 0.3: 0.0192} {
		c := Chain{Gain: 1 - missing/5}
		assert.InDelta(t, lost, error(c, 1), 0.00005)
		for _, lambda := range []float64{0.75, 0.85, 1, 1.15, 1.3} {
			assert.Equal(t, WorthCorrecting(5, 5-missing, 5), error(c, lambda) >= l.LetBe(lambda, 5), "%v V at λ %v", missing, lambda)
		}
	}
	shifted := Chain{Gain: 1, Offset: 0.1}
	assert.InDelta(t, 0.0136, error(shifted, 0.85), 0.00005, "derived: 0.1 V at every mixture")
	assert.Greater(t, error(shifted, 0.85), l.LetBe(0.85, 5), "0.1 V of shift is not let be, as a loss of 0.1 V is")
}
