package mixture

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
)

// All derived from complete combustion of CH1.87 with Heywood's air, save where a row says otherwise.
func TestOxygen(t *testing.T) {
	for lambda, percent := range map[float64]float64{1.02: 0.39, 1.05: 0.94, 1.10: 1.80, 1.20: 3.31, 1.36: 5.29, 1.5: 6.69, 2: 10.14, 3: 13.66, 10: 18.73} {
		assert.InDelta(t, percent, 100*Oxygen(lambda), 0.006, "at λ %v", lambda)
		assert.InDelta(t, lambda, LambdaOfOxygen(Oxygen(lambda)), 1e-9)
	}
	assert.Zero(t, Oxygen(0.9))
	assert.Equal(t, 1.0, LambdaOfOxygen(0))
	assert.InDelta(t, 0.2095, Oxygen(math.Inf(1)), 0.00005)
	assert.InDelta(t, 1.200, LambdaOfOxygen(0.0331), 0.0005)
	assert.True(t, math.IsInf(LambdaOfOxygen(0.21), 1))

	// Turns, An Introduction to Combustion, example 2.2 (from memory): methane, air with 3.76 of nitrogen, 3 % oxygen left in the
	// wet exhaust; one mole takes 2 of oxygen and makes 1 + 2 + 7.52 of exhaust.
	methane := burning{oxygen: 2, moles: 10.52, air: 4.76}
	lambda := methane.lambda(0.03)
	assert.InDelta(t, 1.184, lambda, 0.0005)
	assert.InDelta(t, 0.84, 1/lambda, 0.005)
	assert.InDelta(t, 20.3, lambda*stoichiometric(1, 4, 0, 3.76, 28.85), 0.06)
}

func TestAirOxygen(t *testing.T) {
	for _, row := range []struct{ celsius, humidity, percent float64 }{
		{0, 0.5, 20.88}, {20, 0.5, 20.70}, {25, 0.5, 20.62}, {30, 0.8, 20.24}, {35, 0.8, 20.02}, {40, 0.6, 20.03}, {20, 0, 20.95},
	} {
		assert.InDelta(t, row.percent, 100*AirOxygen(row.celsius, row.humidity), 0.015, "derived from the vapour pressure at %v °C", row.celsius)
	}
}

func TestLeaked(t *testing.T) {
	const afrst = 14.6
	assert.InDelta(t, 1.0107, Leaked(1, 0.01, afrst), 0.00005, "derived")
	assert.InDelta(t, 0.8592, Leaked(0.85, 0.01, afrst), 0.00005, "derived")
	assert.InDelta(t, 1.053, Leaked(1, 0.05, afrst), 0.0005, "derived")
}

// The form of elements' data sheets, from memory; the numbers derived.
func TestPressure(t *testing.T) {
	for _, row := range []struct{ k, bar, factor float64 }{
		{0.3, 0.80, 0.943}, {0.3, 2.00, 1.127}, {0.8, 1.10, 1.036}, {1.2, 1.20, 1.092}, {1.2, 1.013, 1},
	} {
		assert.InDelta(t, row.factor, PressureFactor(row.k, row.bar), 0.0006, "k %v at %v bar", row.k, row.bar)
	}
	assert.InDelta(t, 0.8618, PressureCorrected(0.850, 1.10), 0.00005)
	assert.InDelta(t, 0.8561, PressureCorrected(0.850, 1.05), 0.00005)
	assert.InDelta(t, 1.1788, PressureCorrected(1.200, 1.10), 0.00005)
	assert.Equal(t, 1.0, PressureCorrected(1, 1.3), "no effect at λ = 1")
}

func TestLoad(t *testing.T) {
	assert.InDelta(t, 0.96774, LoadGain(1000, 30000), 0.000005, "derived: 30/31")
	assert.InDelta(t, 4.8387, 5*LoadGain(1000, 30000), 0.00005, "derived")
	assert.InDelta(t, 0.99999, LoadGain(100, 6.9e6), 0.000005, "derived")
	assert.InDelta(t, 6.875e6, Parallel(10e6, 22e6), 1, "an ADC vendor's support forum on the ADS1115 at ±6.144 V: 10 MΩ and 22 MΩ")
	offset := ReturnOffset(1.5, 2, 0.5)
	assert.InDelta(t, 0.103, offset, 0.0005, "derived: 34 mΩ/m")
	assert.InDelta(t, 0.0140, lawA().Slope()*offset, 0.00005, "derived")
}

// The half widths come from one element's technical information, from memory; the sum is derived: element, a controller's
// output within 10 mV, a divider of 1 % resistors and a converter.
func TestUncertainty(t *testing.T) {
	assert.InDelta(t, 0.0075, Uncertainty{Chain: 0.0021, Law: 0.0014, Converter: 0.0005, Element: 0.0070}.Total(), 0.00005)
	assert.InDelta(t, 0.0014, Accuracy{Law: lawA(), Output: 0.010}.At(1).Law, 0.00005)
	assert.InDelta(t, 0.0026, Uncertainty{Chain: 0.0021, Law: 0.0014, Converter: 0.0005, Element: 1}.Electrical(), 0.00005)
	for _, row := range []struct {
		lambda float64
		age    Age
		want   float64
	}{
		{1.016, New, 0.007}, {0.8, New, 0.010}, {1.7, New, 0.05}, {0.8, Aged500h, 0.020}, {0.8, Aged2000h, 0.040}, {0.6, Aged2000h, 0.040},
		{0.908, New, 0.0085}, {1.358, Aged500h, 0.054}, {3, New, 0.05},
	} {
		assert.InDelta(t, row.want, ElementTolerance(row.lambda, row.age), 0.00005)
	}
}
