package mixture

import "math"

// burning is what complete combustion of a fuel makes.
type burning struct {
	oxygen float64 // moles of oxygen that one mole of fuel takes
	moles  float64 // of wet exhaust at λ = 1
	air    float64 // moles of air for one of oxygen
}

// petrolBurning is that of CH1.87, a petrol without oxygen in it (derived, with Heywood's air).
func petrolBurning() burning {
	return burning{oxygen: 1.4675, moles: 7.472, air: 1 + nitrogenPerOxygen}
}

func (b burning) share(lambda float64) float64 {
	if !(lambda > 1) {
		return 0
	}
	if math.IsInf(lambda, 1) {
		return 1 / b.air
	}
	left := b.oxygen * (lambda - 1)
	return left / (b.moles + b.air*left)
}

func (b burning) lambda(share float64) float64 {
	if !(share > 0) {
		return 1
	}
	rest := 1 - b.air*share
	if rest <= 0 {
		return math.Inf(1)
	}
	return 1 + share*b.moles/(b.oxygen*rest)
}

// Oxygen is the share of oxygen in the wet exhaust of petrol at a lean λ, complete combustion: 0 at λ = 1 and below, 0.2095
// in air. Beyond λ = 2 it hardly changes with λ any more, which is why the mixture in a fuel cut is a state and not a number.
func Oxygen(lambda float64) float64 { return petrolBurning().share(lambda) }

// LambdaOfOxygen is the inverse of Oxygen: +Inf for air and more.
func LambdaOfOxygen(share float64) float64 { return petrolBurning().lambda(share) }

// AirOxygen is the share of oxygen in moist air: the dry share less what the water vapour takes up. Celsius, relative
// humidity 0 to 1, at 101.325 kPa; the vapour's pressure by Magnus' formula (WMO, from memory).
func AirOxygen(celsius, humidity float64) float64 {
	const dry, pressure = 0.2095, 101.325
	saturated := 0.6112 * math.Exp(17.62*celsius/(243.12+celsius)) // kPa
	return dry * (1 - humidity*saturated/pressure)
}

// Leaked is the λ that a sensor has when air leaks into the exhaust ahead of it, as a share of the exhaust's mass, of a fuel
// of the given stoichiometric ratio: the air adds to what was drawn in, the fuel stays.
func Leaked(lambda, share, afrst float64) float64 {
	return lambda + share*(lambda+1/afrst)
}

// PressureFactor is by how much a sensing element's pump current grows when the exhaust's pressure does:
// F = p/(k + p) · (k + p0)/p0, p0 = 1.013 bar, with the element's own k, all in bar (the form that elements' data sheets use, from
// memory).
func PressureFactor(k, bar float64) float64 {
	const p0 = 1.013
	return bar / (k + bar) * (k + p0) / p0
}

// PressureCorrected is the λ behind a reading taken at a pressure that raised the pump current by factor. The reading lies
// further from λ = 1 than the mixture does: rich looks richer, lean looks leaner.
func PressureCorrected(reading, factor float64) float64 {
	if reading < 1 {
		return 1 / (1 + (1/reading-1)/factor)
	}
	return LambdaOfOxygen(Oxygen(reading) / factor)
}
