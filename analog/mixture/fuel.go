package mixture

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Fuel is what turns λ into AFR for a display.
type Fuel struct {
	Name  string
	AFRst float64 // stoichiometric ratio: mass of air per mass of fuel
}

// AFR is λ as mass of air per mass of this fuel.
func (f Fuel) AFR(lambda float64) float64 { return lambda * f.AFRst }

// Lambda is the λ of an air-fuel ratio given on this fuel's scale.
func (f Fuel) Lambda(afr float64) float64 { return afr / f.AFRst }

// The stoichiometric ratios that any fuel can have, hydrogen (34.3) and nitromethane (1.7) included.
const (
	MinAFRst = 1.0
	MaxAFRst = 40.0
)

// Custom is a fuel whose stoichiometric ratio is given as a number, 1 to 40.
func Custom(name string, afrst float64) (Fuel, error) {
	if !(afrst >= MinAFRst && afrst <= MaxAFRst) {
		return Fuel{}, fmt.Errorf("a stoichiometric ratio of %v is outside %v to %v; petrol has about 14.7", afrst, MinAFRst, MaxAFRst)
	}
	return Fuel{Name: name, AFRst: afrst}, nil
}

// Air as Heywood, Internal Combustion Engine Fundamentals, §3.2 and §3.4, counts it (from memory): 3.773 mol of nitrogen,
// argon included, to one of oxygen, 28.962 g/mol.
const (
	nitrogenPerOxygen = 3.773
	airMolarMass      = 28.962
)

// StoichiometricAFR is the stoichiometric ratio of a fuel CxHyOz, by mass:
// (x + y/4 − z/2) × 4.773 × 28.962 / (12.011x + 1.008y + 15.999z). A hydrogen-to-carbon ratio may be given as (1, y, 0).
// It is 0 for what needs no air to burn.
func StoichiometricAFR(x, y, z float64) float64 {
	return stoichiometric(x, y, z, nitrogenPerOxygen, airMolarMass)
}

func stoichiometric(x, y, z, nitrogen, air float64) float64 {
	oxygen := x + y/4 - z/2
	mass := 12.011*x + 1.008*y + 15.999*z
	if !(oxygen > 0 && mass > 0) {
		return 0
	}
	return oxygen * (1 + nitrogen) * air / mass
}

// Liquid is one part of a blend.
type Liquid struct {
	AFRst   float64 // stoichiometric ratio by mass
	Density float64 // kg/l at 20 °C
}

// The parts of pump fuels. Petrol's 14.7 is a choice: the US Department of Energy's fuel property table has it, handbooks give
// 14.6 (Heywood, from memory) to 14.8 for one petrol or another, and displays in AFR are nearly always scaled by 14.7, so that
// petrol without ethanol reads as people expect. The choice moves AFR by up to 0.7 %, and λ not at all. Its density is the middle
// of the range 0.72 to 0.78 of the same table; the alcohols' are handbook values at 20 °C.
func petrol() Liquid   { return Liquid{14.7, 0.745} }
func ethanol() Liquid  { return Liquid{StoichiometricAFR(2, 6, 1), 0.789} }
func methanol() Liquid { return Liquid{StoichiometricAFR(1, 4, 1), 0.791} }

// MassShare is the share by mass of the added liquid in a blend that holds the given share of it by volume, 0 to 1.
func MassShare(base, added Liquid, volume float64) float64 {
	a := volume * added.Density
	return a / (a + (1-volume)*base.Density)
}

// Blend is base with the given share by volume, 0 to 1, of added. A stoichiometric ratio is linear in the share by mass, not by
// volume: that is why the densities are needed. Volumes are taken to add up.
func Blend(base, added Liquid, volume float64) Liquid {
	m := MassShare(base, added, volume)
	return Liquid{
		AFRst:   m*added.AFRst + (1-m)*base.AFRst,
		Density: volume*added.Density + (1-volume)*base.Density,
	}
}

// EthanolBlend is petrol with so many percent of ethanol by volume, held within 0 to 100.
func EthanolBlend(percent float64) Liquid {
	return Blend(petrol(), ethanol(), min(1, max(0, percent/100)))
}

// Composed is a fuel CxHyOz, whose stoichiometric ratio follows from its composition in atoms or in ratios of atoms: carbon,
// hydrogen and oxygen, none below 0. What needs no air to burn, or a ratio outside MinAFRst to MaxAFRst, is an error.
func Composed(name string, carbon, hydrogen, oxygen float64) (Fuel, error) {
	ok := carbon >= 0 && hydrogen >= 0 && oxygen >= 0 && !math.IsInf(carbon+hydrogen+oxygen, 0)
	if ratio := StoichiometricAFR(carbon, hydrogen, oxygen); ok && ratio >= MinAFRst && ratio <= MaxAFRst {
		return Fuel{Name: name, AFRst: ratio}, nil
	}
	return Fuel{}, fmt.Errorf("C%vH%vO%v is no fuel that burns in air: give the atoms of a molecule, as 8, 18 and 0, or their ratios, as 1, 1.87 and 0", carbon, hydrogen, oxygen)
}

// FuelNames says in words what FuelByName knows, for error texts.
const FuelNames = "E0 to E100 (percent ethanol by volume), petrol, ethanol, methanol, LPG, propane, CNG, methane, diesel"

// FuelByName gives the fuel of a name, in capitals or not: "E0" to "E100" is petrol with so many percent of ethanol by volume, and
// "methanol", "LPG" (propane and butane, half each by mass), "propane", "CNG" (a natural gas of 93 % methane), "methane", "diesel",
// "petrol" and "gasoline" (both E0) and "ethanol" (E100) stand for themselves. LPG and CNG differ from pump to pump by several
// percent: who knows better uses Custom. An unknown name is an error that lists the known ones.
func FuelByName(name string) (Fuel, error) {
	name = strings.TrimSpace(name)
	switch lower := strings.ToLower(name); lower {
	case "petrol", "gasoline":
		return Fuel{lower, petrol().AFRst}, nil
	case "ethanol":
		return Fuel{lower, ethanol().AFRst}, nil
	case "methanol":
		return Fuel{lower, methanol().AFRst}, nil
	case "lpg":
		return Fuel{"LPG", (StoichiometricAFR(3, 8, 0) + StoichiometricAFR(4, 10, 0)) / 2}, nil
	case "propane":
		return Fuel{lower, StoichiometricAFR(3, 8, 0)}, nil
	case "cng":
		return Fuel{"CNG", naturalGas()}, nil
	case "methane":
		return Fuel{lower, StoichiometricAFR(1, 4, 0)}, nil
	case "diesel":
		return Fuel{lower, StoichiometricAFR(1, 1.8, 0)}, nil // CH1.80, light diesel (Heywood, from memory)
	}
	if percent, ok := ethanolPercent(name); ok {
		label := "E" + strconv.FormatFloat(percent, 'f', -1, 64)
		return Fuel{label, EthanolBlend(percent).AFRst}, nil
	}
	return Fuel{}, fmt.Errorf("%q is no fuel known here; known are %s", name, FuelNames)
}

func ethanolPercent(name string) (float64, bool) {
	if len(name) < 2 || (name[0] != 'E' && name[0] != 'e') {
		return 0, false
	}
	// ParseFloat alone would let through signs, exponents and "inf".
	if strings.Trim(name[1:], "0123456789.") != "" {
		return 0, false
	}
	percent, err := strconv.ParseFloat(name[1:], 64)
	if err != nil || percent > 100 || math.IsNaN(percent) {
		return 0, false
	}
	return percent, true
}

// naturalGas is 93 % methane, 4 % ethane, 1 % propane, 1.5 % nitrogen and 0.5 % carbon dioxide by volume. The last
// two burn nothing and weigh all the same.
func naturalGas() float64 {
	const (
		nitrogen = 0.015 * 28.014
		carbonic = 0.005 * 44.009
	)
	mass, air := nitrogen+carbonic, 0.0
	for _, gas := range []struct{ share, x, y float64 }{{0.93, 1, 4}, {0.04, 2, 6}, {0.01, 3, 8}} {
		m := gas.share * (12.011*gas.x + 1.008*gas.y)
		mass += m
		air += m * StoichiometricAFR(gas.x, gas.y, 0)
	}
	return air / mass
}
