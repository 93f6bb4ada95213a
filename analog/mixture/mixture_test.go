package mixture

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// lawA is an invented scale that many examples of the trade have the shape of: 0 to 5 V is AFR 10 to 20, on a scale whose own
// stoichiometric ratio is 14.7.
func lawA() Law { return Law{Point{0, 10 / 14.7}, Point{5, 20 / 14.7}} }

func TestLaw(t *testing.T) {
	sample := Law{Point{0.5, 0.65}, Point{4.5, 1.35}}
	for _, row := range []struct {
		name, source  string
		law           Law
		volts, lambda float64
	}{
		{"stoichiometric on 10 to 20 AFR", "derived: 10 + 2 × 2.350 = 14.7", lawA(), 2.350, 1.0000},
		{"full load on 10 to 20 AFR", "derived: (10 + 2 × 1.2475)/14.7", lawA(), 1.2475, 0.8500},
		{"lower end of 10 to 20 AFR", "derived: 10/14.7", lawA(), 0, 0.6803},
		{"upper end of 10 to 20 AFR", "derived: 20/14.7", lawA(), 5, 1.3605},
		{"stoichiometric on λ 0.5 to 1.5", "derived", Law{Point{0, 0.5}, Point{5, 1.5}}, 2.5, 1},
		{"stoichiometric on λ 0.65 to 1.30", "derived: 0.35/0.13", Law{Point{0, 0.65}, Point{5, 1.30}}, 2.6923, 1},
		{"middle of 0.5 to 4.5 V", "derived", sample, 2.5, 1},
		{"points the other way round", "derived", Law{sample.High, sample.Low}, 1.5, 0.825},
		{"a falling line", "derived", Law{Point{0, 1.5}, Point{5, 0.5}}, 1, 1.3},
	} {
		t.Run(row.name, func(t *testing.T) {
			require.NoError(t, row.law.Validate())
			assert.InDelta(t, row.lambda, row.law.Lambda(row.volts), 0.00005, row.source)
			assert.InDelta(t, row.volts, row.law.Volts(row.lambda), 0.0005, row.source)
		})
	}
}

func TestLawRefused(t *testing.T) {
	good := Law{Point{0.5, 0.65}, Point{4.5, 1.35}}
	for _, row := range []struct {
		name   string
		change func(*Law)
		says   string
	}{
		{"same volts", func(l *Law) { l.High.Volts = 0.5 }, "both points have the same volts"},
		{"same λ", func(l *Law) { l.High.Lambda = 0.65 }, "both points have the same λ"},
		{"an AFR for λ", func(l *Law) { l.High.Lambda = 20 }, "the high point's λ of 20 is outside 0.3 to 5"},
		{"no number", func(l *Law) { l.Low.Volts = math.NaN() }, "the low point's NaN volts"},
		{"infinite", func(l *Law) { l.Low.Lambda = math.Inf(1) }, "the low point's λ of +Inf"},
	} {
		t.Run(row.name, func(t *testing.T) {
			l := good
			row.change(&l)
			assert.ErrorContains(t, l.Validate(), row.says)
		})
	}
	assert.Error(t, Law{}.Validate(), "the zero law is none")
}

func TestInputVolts(t *testing.T) {
	for _, row := range []struct {
		name, source string
		in           Input
		code         int32
		volts        float64
	}{
		{"highest code at ±6.144 V", "ADS111x data sheet, full-scale range and LSB table: 187.5 µV", Input{0.1875, 0, 1}, 0x7FFF, 6.1438},
		{"one code at ±6.144 V", "ADS111x data sheet", Input{0.1875, 0, 1}, 1, 187.5e-6},
		{"divider of 10 kΩ over 20 kΩ", "derived: 3.333 V at the pin", Input{0.125, 0, 1.5}, 26664, 4.9995},
		{"offset before scale", "Linux, Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) × scale, in mV", Input{2, -100, 1}, 600, 1.0},
		{"no divider given", "derived", Input{ScaleMillivolts: 1}, 2500, 2.5},
		{"slightly below ground", "derived", Input{0.125, 0, 2}, -4, -0.001},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.InDelta(t, row.volts, row.in.Volts(row.code), 0.00005, row.source)
		})
	}
}

func TestChain(t *testing.T) {
	l := lawA()
	lambda := func(c Chain, seen float64) float64 { return l.Lambda(c.True(seen)) }

	t.Run("1 kΩ into 30 kΩ costs 5 V 0.1613 V (derived: 30/31)", func(t *testing.T) {
		c, err := OneLevel(5, 5*30.0/31)
		require.NoError(t, err)
		assert.InDelta(t, 0.96774, c.Gain, 0.000005)
		assert.InDelta(t, 4.8387, c.Seen(5), 0.00005)
	})
	t.Run("a gain of 0.95 left alone takes 0.0085 from λ 0.85 (derived)", func(t *testing.T) {
		seen := Chain{Gain: 0.95}.Seen(l.Volts(0.85))
		assert.InDelta(t, -0.0085, lambda(Chain{}, seen)-0.85, 0.00005)
	})
	t.Run("an offset corrected as a gain leaves 0.0269 of λ 0.85 (derived)", func(t *testing.T) {
		shifted := Chain{Offset: -0.25}
		c, err := OneLevel(5, shifted.Seen(5))
		require.NoError(t, err)
		assert.InDelta(t, -0.0269, lambda(c, shifted.Seen(l.Volts(0.85)))-0.85, 0.00005)
	})
	t.Run("gain and offset together (derived)", func(t *testing.T) {
		c := Chain{Gain: 0.97, Offset: -0.08}
		assert.InDelta(t, 2.1995, c.Seen(2.350), 0.00005)
		assert.InDelta(t, 4.770, c.Seen(5), 0.00005)
		assert.InDelta(t, 1.3196, c.True(1.200), 0.00005)
		assert.InDelta(t, 0.8598, lambda(c, 1.200), 0.00005)
		assert.InDelta(t, 0.8435, lambda(Chain{}, 1.200), 0.00005, "uncorrected")
	})
	t.Run("1.5 A through 2 m of 0.5 mm² copper shift λ by 0.0140 (derived: 34 mΩ/m, 103 mV)", func(t *testing.T) {
		c := Chain{Offset: 0.103}
		assert.InDelta(t, 0.0140, lambda(Chain{}, c.Seen(2.35))-1, 0.00005)
	})
	t.Run("the zero chain changes nothing", func(t *testing.T) {
		assert.Equal(t, 3.21, Chain{}.True(3.21))
		assert.Equal(t, 3.21, Chain{}.Seen(3.21))
	})
}

// The worked example of the trade: a controller that puts out 7.35 to 22.39 AFR over 0 to 5 V, seen as 4.85 V at its 5 V level
// (common practice, no source).
func TestOneLevelWorkedExample(t *testing.T) {
	scale := Fuel{AFRst: 14.7}
	l := Law{Point{0, scale.Lambda(7.35)}, Point{5, scale.Lambda(22.39)}}
	c, err := OneLevel(5, 4.85)
	require.NoError(t, err)
	ends := c.Rescale(l)
	assert.InDelta(t, 22.86, scale.AFR(ends.High.Lambda), 0.005, "7.35 + (22.39 − 7.35)/4.85 × 5")
	assert.InDelta(t, 7.35, scale.AFR(ends.Low.Lambda), 1e-9, "0 V loses nothing")
	// The rescaled law reads seen volts as the chain and the law together do.
	assert.InDelta(t, l.Lambda(c.True(2.2)), ends.Lambda(2.2), 1e-12)
}

func TestOneLevelRefused(t *testing.T) {
	for _, row := range []struct {
		name        string
		known, seen float64
		says        string
	}{
		{"half the level is missing", 5, 2.5, "a gain of 0.500: outside 0.90 to 1.05"},
		{"just too little", 5, 4.49, "a gain of 0.898"},
		{"just too much", 5, 5.26, "a gain of 1.052"},
		{"a level at 0 V", 0, 0.01, "cannot tell a gain"},
		{"a level near 0 V", 0.2, 0.2, "cannot tell a gain"},
		{"a level below ground", -5, -5, "cannot tell a gain"},
		{"nothing seen", 5, math.NaN(), "cannot tell a gain"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := OneLevel(row.known, row.seen)
			var fault *GainError
			require.ErrorAs(t, err, &fault)
			assert.ErrorContains(t, err, row.says)
		})
	}
	for _, seen := range []float64{4.5, 5, 5.25} {
		_, err := OneLevel(5, seen)
		assert.NoError(t, err, "%v V of 5 V", seen)
	}
}

// Common practice, no source: 0.1 V missing at full scale is let be, 0.2 to 0.3 V are corrected; 0.15 V is not worth it.
func TestWorthCorrecting(t *testing.T) {
	for missing, worth := range map[float64]bool{0: false, 0.1: false, 0.15: false, 0.2: true, 0.25: true, 0.3: true, -0.1: false, -0.2: true} {
		assert.Equal(t, worth, WorthCorrecting(5, 5-missing, 5), "%v V of 5 V missing", missing)
		assert.Equal(t, worth, WorthCorrecting(2.5, 2.5-missing/2, 5), "the same seen at half scale, %v V", missing)
	}
}

func TestStoichiometricAFR(t *testing.T) {
	heywood := "Heywood, Internal Combustion Engine Fundamentals, table D.4 (from memory)"
	for _, row := range []struct {
		name, source  string
		x, y, z, want float64
		within        float64
	}{
		{"petrol CH1.87", heywood, 1, 1.87, 0, 14.60, 0.02},
		{"iso-octane", heywood, 8, 18, 0, 15.13, 0.005},
		{"n-heptane", "derived; 15.18 in handbooks (from memory)", 7, 16, 0, 15.18, 0.01},
		{"toluene", heywood, 7, 8, 0, 13.50, 0.005},
		{"methanol", heywood, 1, 4, 1, 6.47, 0.005},
		{"ethanol", heywood + "; US DOE AFDC fuel property table: 9", 2, 6, 1, 9.00, 0.005},
		{"methane", heywood, 1, 4, 0, 17.23, 0.005},
		{"propane", heywood, 3, 8, 0, 15.67, 0.005},
		{"butane", "handbooks (from memory)", 4, 10, 0, 15.46, 0.005},
		{"hydrogen", heywood + ": 34.3", 0, 2, 0, 34.29, 0.01},
		{"light diesel CH1.80", heywood + ": 14.5", 1, 1.80, 0, 14.50, 0.005},
		{"MTBE", "US DOE AFDC fuel property table: 11.7 (from memory); derived 11.76", 5, 12, 1, 11.76, 0.005},
		{"natural gas C1.16H4.32", "derived", 1.16, 4.32, 0, 16.93, 0.005},
		{"carbon dioxide burns nothing", "derived", 1, 0, 2, 0, 0},
		{"no fuel", "derived", 0, 0, 0, 0, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.InDelta(t, row.want, StoichiometricAFR(row.x, row.y, row.z), row.within, row.source)
		})
	}
	t.Run("natural gas with another book's air", func(t *testing.T) {
		// Turns, An Introduction to Combustion, example 2.1 (from memory): N2/O2 3.76, air 28.85 g/mol.
		afr := stoichiometric(1.16, 4.32, 0, 3.76, 28.85)
		assert.InDelta(t, 16.82, afr, 0.005)
		assert.InDelta(t, 58.8, afr/0.286, 0.05, "at an equivalence ratio of 0.286")
	})
}

func TestBlend(t *testing.T) {
	base := func(afr float64) Liquid { return Liquid{afr, 0.745} }
	for _, row := range []struct {
		name, source     string
		base, added      Liquid
		volume, mass     float64
		afr, massW, afrW float64
	}{
		{"E10 on 14.70", "derived; 14.1 in handbooks (from memory)", base(14.70), ethanol(), 0.10, 0.1053, 14.10, 0.00005, 0.005},
		{"E10 on 14.64", "derived", base(14.64), ethanol(), 0.10, 0.1053, 14.05, 0.00005, 0.005},
		{"E85 on 14.60", "derived; 9.77 in handbooks (from memory)", base(14.60), ethanol(), 0.85, 0.8572, 9.80, 0.00005, 0.005},
		{"E27 on 14.64", "derived; 13.0 to 13.2 in handbooks (from memory)", base(14.64), ethanol(), 0.27, 0.2815, 13.05, 0.00005, 0.005},
		{"E20 on 14.70", "derived; 13.5 in handbooks (from memory)", base(14.70), ethanol(), 0.20, 0.2093, 13.51, 0.00005, 0.005},
		{"M85 on 14.60", "derived; 7.6 to 7.7 in handbooks (from memory)", base(14.60), methanol(), 0.85, 0.8575, 7.63, 0.00005, 0.005},
		{"none added", "derived", base(14.70), ethanol(), 0, 0, 14.70, 0, 1e-9},
		{"all added", "derived", base(14.70), ethanol(), 1, 1, 9.00, 0, 0.005},
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.InDelta(t, row.mass, MassShare(row.base, row.added, row.volume), row.massW, row.source)
			assert.InDelta(t, row.afr, Blend(row.base, row.added, row.volume).AFRst, row.afrW, row.source)
		})
	}
}

func TestFuelByName(t *testing.T) {
	for _, row := range []struct {
		name, as, source string
		afr              float64
	}{
		{"E10", "E10", "derived; 14.1 in handbooks (from memory)", 14.10},
		{"e10", "E10", "derived", 14.10},
		{" E0 ", "E0", "US DOE AFDC fuel property table: 14.7", 14.70},
		{"petrol", "petrol", "US DOE AFDC fuel property table: 14.7", 14.70},
		{"E5", "E5", "derived", 14.40},
		{"E22.5", "E22.5", "derived: mass share 0.2351", 13.36},
		{"E85", "E85", "derived", 9.82},
		{"E100", "E100", "Heywood, table D.4 (from memory): 9.00", 9.00},
		{"ethanol", "ethanol", "Heywood, table D.4 (from memory): 9.00", 9.00},
		{"Methanol", "methanol", "Heywood, table D.4 (from memory): 6.47", 6.47},
		{"lpg", "LPG", "derived; 15.5 in the Bosch Automotive Handbook (from memory)", 15.57},
		{"propane", "propane", "Heywood, table D.4 (from memory): 15.67", 15.67},
		{"CNG", "CNG", "derived; published values differ from 14.5 to 17.4", 16.47},
		{"methane", "methane", "Heywood, table D.4 (from memory): 17.23", 17.23},
		{"Diesel", "diesel", "Heywood, table D.4 (from memory): 14.5", 14.50},
	} {
		t.Run(row.name, func(t *testing.T) {
			f, err := FuelByName(row.name)
			require.NoError(t, err)
			assert.Equal(t, row.as, f.Name)
			assert.InDelta(t, row.afr, f.AFRst, 0.0075, row.source)
		})
	}
	for _, name := range []string{"", "E", "E101", "E-5", "E1e1", "Einf", "E1.2.3", "kerosene"} {
		_, err := FuelByName(name)
		assert.ErrorContains(t, err, "known are E0 to E100", "%q", name)
	}
}

func TestFuelScales(t *testing.T) {
	// A display's AFR goes to λ by the scale's own constant, and to the fuel's AFR by the fuel's (derived).
	scale, err := Custom("scale", 14.7)
	require.NoError(t, err)
	fuel, err := Custom("E10 on 14.64", 14.05)
	require.NoError(t, err)
	lambda := scale.Lambda(12.50)
	assert.InDelta(t, 0.8503, lambda, 0.00005)
	assert.InDelta(t, 1.1760, 1/lambda, 0.00005, "as an equivalence ratio")
	assert.InDelta(t, 11.95, fuel.AFR(lambda), 0.005)

	for _, afr := range []float64{0, -1, 147, math.NaN(), math.Inf(1)} {
		_, err := Custom("x", afr)
		assert.ErrorContains(t, err, "outside 1 to 40")
	}
}

func FuzzFuelByName(f *testing.F) {
	for _, s := range []string{"E10", "E85", "diesel", "E", "e1e9", "E100.0", "LPG", "E00000000000000000000000000000010"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		fuel, err := FuelByName(s)
		if err != nil {
			return
		}
		_, err = Custom(fuel.Name, fuel.AFRst)
		require.NoError(t, err)
		again, err := FuelByName(fuel.Name)
		require.NoError(t, err, "the name given back is known too")
		require.Equal(t, fuel, again)
	})
}

func TestComposed(t *testing.T) {
	for _, row := range []struct {
		c, h, o, want float64
	}{{8, 18, 0, 15.13}, {1, 1.87, 0, 14.60}, {2, 6, 1, 9.00}, {0, 2, 0, 34.29}} {
		f, err := Composed("mine", row.c, row.h, row.o)
		require.NoError(t, err)
		assert.Equal(t, "mine", f.Name)
		assert.InDelta(t, row.want, f.AFRst, 0.02, "Heywood, table D.4 (from memory)")
	}
	for _, row := range [][3]float64{{0, 0, 0}, {1, 0, 2}, {-1, 4, 0}, {1, math.NaN(), 0}, {1, math.Inf(1), 0}, {1, 2, 2.9}} {
		_, err := Composed("x", row[0], row[1], row[2])
		assert.ErrorContains(t, err, "is no fuel that burns in air", "%v", row)
	}
	assert.InDelta(t, 9.82, EthanolBlend(85).AFRst, 0.005)
	assert.Equal(t, EthanolBlend(100), EthanolBlend(250))
	assert.Equal(t, EthanolBlend(0), EthanolBlend(-5))
}
