package mixture

import (
	"math"
	"time"
)

// DelayModel is how long a mixture takes from the cylinders to a reading:
//
//	Cycle · 90 s / speed  +  Gas · flow^-1.125  +  Lag
//
// The first part is the 540 degrees of crank from the middle of the intake stroke to that of the exhaust stroke. The second is how
// long the exhaust between cylinders and sensor takes to be pushed out: its mass over the flow, and the more flows, the hotter and
// the thinner it is (its temperature goes with the eighth root of the flow: 700 K at an idle of 2.7 g/s, 1150 K at 140 g/s; common
// practice, no source). The third is the sensor's and the controller's own lag, first order, which delays what changes slowly
// by just that.
type DelayModel struct {
	Cycle float64 // 1
	Gas   float64 // g: exhaust between the cylinders and the sensor at 1 g/s
	Lag   float64 // s
}

// gasExponent is the exponent of the flow in the time that the gas takes.
const gasExponent = -1.125

// DefaultDelay is the model for an engine of which nothing is known: 2.6 litres of exhaust between the cylinders and the sensor
// of a 2.0 litre engine (1.3 times the displacement, common practice), and 80 ms of lag (50 to 100 ms in engine use, SAE
// literature, and the controller's averaging).
func DefaultDelay() DelayModel { return DelayModel{Cycle: 1, Gas: 1.48, Lag: 0.080} }

// Standard uncertainties of the default's parts.
const (
	defaultGasSigma = 0.6  // g
	defaultLagSigma = 0.04 // s
)

// Dead is the time in seconds until the sensor sees anything of the mixture, without its lag: at a steady engine speed in 1/min and
// exhaust flow in g/s. Not a number where the engine does not run.
func (m DelayModel) Dead(rpm, flow float64) float64 {
	if !(rpm >= leastSpeed && flow >= leastFlow) {
		return math.NaN()
	}
	return m.Cycle*90/rpm + m.Gas*math.Pow(flow, gasExponent)
}

// Total is Dead and the lag.
func (m DelayModel) Total(rpm, flow float64) float64 { return m.Dead(rpm, flow) + m.Lag }

// Below these there is no exhaust worth a delay.
const leastSpeed, leastFlow = 200, 0.3

// ExhaustFlow is the exhaust in g/s of so much air at a λ, for a fuel of that stoichiometric ratio.
func ExhaustFlow(air, lambda, afrst float64) float64 { return air * (1 + 1/(lambda*afrst)) }

// SpeedDensity is the air flow in g/s that an engine draws in: η·p·V·N/(120·R·T) (Heywood, Internal Combustion Engine Fundamentals,
// eq. 2.27, from memory), with the volumetric efficiency against manifold conditions, the manifold's pressure in kPa, the displacement
// in litres, the speed in 1/min and the charge's temperature in °C.
func SpeedDensity(efficiency, kPa, litres, rpm, celsius float64) float64 {
	const gasConstant = 287.05 // J/(kg K), dry air
	return 1000 * efficiency * kPa * litres * rpm / (120 * gasConstant * (celsius + 273.15))
}

// VolumetricEfficiency is the inverse: what part of the displacement an air flow in g/s fills.
func VolumetricEfficiency(flow, kPa, litres, rpm, celsius float64) float64 {
	return flow / SpeedDensity(1, kPa, litres, rpm, celsius)
}

// AirDensity is that of dry air in kg/m³.
func AirDensity(kPa, celsius float64) float64 { return kPa * 1000 / (287.05 * (celsius + 273.15)) }

// The engine that is assumed where no mass air flow is told. The displacement cancels out as long as the exhaust's volume goes
// with it.
const (
	assumedEfficiency = 0.80
	assumedLitres     = 2.0
	assumedCelsius    = 35.0
	assumedAFRst      = 14.4
)

// exhaustFlow is the exhaust in g/s by what the engine's computer said; not known without speed and either air flow or manifold
// pressure.
func (s *situation) exhaustFlow() (flow float64, ok bool) {
	rpm, ok := s.get(EngineSpeed)
	if !ok || rpm < leastSpeed {
		return 0, false
	}
	air, ok := s.get(AirFlow)
	if !ok {
		kPa, ok := s.get(ManifoldPressure)
		if !ok {
			return 0, false
		}
		celsius, ok := s.get(IntakeAir)
		if !ok {
			celsius = assumedCelsius
		}
		air = SpeedDensity(assumedEfficiency*(0.6+0.4*kPa/100), kPa, assumedLitres, rpm, celsius)
	}
	if yes, known := s.burning(); known && !yes {
		return air, air >= leastFlow
	}
	flow = ExhaustFlow(air, 1, assumedAFRst)
	return flow, flow >= leastFlow
}

// Aligner gives the delay of each reading from what the engine did meanwhile: the gas that arrives now left the cylinders when as
// much exhaust as fits between had yet to follow it.
type Aligner struct {
	model  DelayModel
	joiner joiner
	points []passage
}

// passage is the exhaust's way at one instant.
type passage struct {
	at    time.Duration
	mass  float64 // g that had left the cylinders
	flow  float64 // g/s from then on
	cycle float64 // s
}

// NewAligner gives an aligner for a model.
func NewAligner(m DelayModel) *Aligner { return &Aligner{model: m} }

// Engine notes what the engine's computer said, like Observer.Engine. Only EngineSpeed, AirFlow, ManifoldPressure, IntakeAir and
// FuelStatus matter.
func (a *Aligner) Engine(t time.Duration, q Quantity, value float64) {
	a.joiner.engine(t, q, value)
	if q != EngineSpeed && q != AirFlow && q != ManifoldPressure {
		return
	}
	s := a.joiner.now()
	flow, ok := s.exhaustFlow()
	if !ok {
		a.points = a.points[:0]
		return
	}
	p := passage{at: s.at, flow: flow, cycle: a.model.Cycle * 90 / s.is[EngineSpeed]}
	if n := len(a.points); n > 0 {
		last := a.points[n-1]
		if p.at-last.at > fresh {
			a.points = a.points[:0] // nothing is known of what went on in between
		} else {
			p.mass = last.mass + last.flow*(p.at-last.at).Seconds()
		}
	}
	if len(a.points) >= 2*passages {
		a.points = a.points[:copy(a.points, a.points[passages:])]
	}
	a.points = append(a.points, p)
}

// passages is how many are kept at least: some seconds of what even a fast adapter tells.
const passages = 256

// MaxDelay is the longest that Delay gives.
const MaxDelay = 3 * time.Second

// Delay is how long before the reading at t its mixture was drawn in. Not ok where the engine does not run or its computer has
// not said enough.
func (a *Aligner) Delay(t time.Duration) (time.Duration, bool) {
	n := len(a.points)
	if n == 0 || t-a.points[n-1].at > fresh {
		return 0, false
	}
	arrived := t - seconds(a.model.Lag)
	mass, flow, _ := a.mass(arrived)
	left := mass - a.model.Gas*math.Pow(flow, 1+gasExponent)
	// The place where no more than that had left.
	i := n - 1
	for i > 0 && a.points[i].mass > left {
		i--
	}
	p := a.points[i]
	exhaled := p.at + seconds((left-p.mass)/p.flow)
	_, _, cycle := a.mass(exhaled)
	delay := t - exhaled + seconds(cycle)
	return delay, delay >= 0 && delay <= MaxDelay
}

// mass is what had left the cylinders by t, the flow then, and the cycle's share.
func (a *Aligner) mass(t time.Duration) (mass, flow, cycle float64) {
	i := len(a.points) - 1
	for i > 0 && a.points[i].at > t {
		i--
	}
	p := a.points[i]
	return p.mass + p.flow*(t-p.at).Seconds(), p.flow, p.cycle
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
