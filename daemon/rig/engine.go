package rig

import (
	"math"
	"math/rand/v2"
	"sort"
	"time"
)

// The invented engine and its surroundings.
const (
	displacement   = 0.002  // m³
	cylinders      = 4      //
	gasConstant    = 287.05 // J/(kg K), dry air
	ambient        = 99.0   // kPa
	outside        = 17.0   // °C
	stoichiometric = 14.05  // air to fuel by mass, petrol with a tenth of ethanol by volume

	step = 5 * time.Millisecond // of the simulation

	ditherShare = 0.015 // the closed loop's commanded oscillation, part of λ (measured in a public log: ±1.5 %)
	ditherHertz = 0.28  // (same log: 0.255 to 0.305 Hz)
)

// State is the car at one instant.
type State struct {
	Ignition bool // key on: the engine computers answer
	Running  bool // the engine runs by itself

	RPM        float64 // 1/min
	MAP        float64 // manifold absolute pressure, kPa
	MAF        float64 // mass air flow, g/s
	Throttle   float64 // percent of its angle, about 15 when closed
	Pedal      float64 // percent
	Load       float64 // calculated load, percent of the air possible at this speed
	LoadAbs    float64 // absolute load, percent of a cylinder full of air at 25 °C and 101.325 kPa
	Coolant    float64 // °C
	IntakeAir  float64 // °C
	OutsideAir float64 // °C
	Baro       float64 // kPa
	Speed      float64 // km/h
	Spark      float64 // degrees before top dead centre
	STFT       float64 // short-term fuel trim, percent
	LTFT       float64 // long-term fuel trim, percent
	FuelStatus byte    // PID 03: 0 off, 1 open loop cold, 2 closed loop, 4 open loop by load or fuel cut
	FuelCut    bool

	CommandedLambda float64 // beyond the scale in fuel cut
	SupplyVolts     float64 // at the engine computer and the adapter
	RunTime         float64 // seconds since the engine started
	FuelLevel       float64 // percent

	LambdaCylinder  float64 // of the mixture burnt now; air in fuel cut
	LambdaSensor    float64 // as the wideband's element has it: after the way to it and its lag
	LambdaECU       float64 // as the engine computer's own wide-range sensor has it
	Delay           float64 // seconds from intake to the sensor at this operating point, without lag
	ControllerVolts float64 // at the controller's terminals, against its own ground
}

// air is the λ written where there is no fuel. The reading beyond any scale is a state and not a number.
const air = 10.0

// volumetric is the volumetric efficiency against manifold conditions: 0.85 at 3000 1/min and 95 kPa.
func volumetric(rpm, kPa float64) float64 {
	byRPM := interpolate(rpm, []point{{0, 0.70}, {800, 0.74}, {3000, 0.85}, {4500, 0.92}, {6000, 0.87}, {7000, 0.80}})
	return byRPM * (0.6 + 0.4*kPa/95)
}

// speedDensity is the air flow in g/s: η·MAP·V·N/(120·R·T), T the charge's temperature (Heywood eq. 2.27).
func speedDensity(efficiency, kPa, rpm, celsius float64) float64 {
	return 1000 * efficiency * kPa * 1000 * displacement * rpm / (120 * gasConstant * (celsius + 273.15))
}

// loadAbsolute is PID 43: air a cylinder and cycle over the cylinder's volume at 1.184 g/l (SAE J1979).
func loadAbsolute(maf, rpm float64) float64 {
	if rpm < 1 {
		return 0
	}
	perCycle := 120 * maf / (rpm * cylinders)
	return 100 * perCycle / (1.184 * displacement * 1000 / cylinders)
}

// wideOpen is the manifold pressure with the throttle wide open: what the intake loses grows with the speed.
func wideOpen(rpm float64) float64 { return ambient / (1 + restriction*rpm/6000) }

// restriction is what the open intake costs: 3.5 % of the pressure at 6000 1/min.
const restriction = 0.036

// throttleAngle is the angle that gives this pressure: the open area, as part of the whole, falls out of the same
// relation as wideOpen's, and the angle grows with its root.
func throttleAngle(kPa, rpm float64) float64 {
	ratio := min(kPa/ambient, 0.9999)
	area := min(1, restriction*max(rpm, 200)/6000*ratio/(1-ratio))
	return closedAngle + (wideOpenAngle-closedAngle)*math.Sqrt(area)
}

// Throttle angles in percent of what the sensor can say (common practice, no source). Without current a spring
// holds the flap a little open.
const closedAngle, restAngle, wideOpenAngle = 12, 17, 88

type point struct{ x, y float64 }

// interpolate is linear between points and flat outside.
func interpolate(x float64, points []point) float64 {
	i := sort.Search(len(points), func(i int) bool { return points[i].x >= x })
	switch i {
	case 0:
		return points[0].y
	case len(points):
		return points[i-1].y
	}
	a, b := points[i-1], points[i]
	return a.y + (b.y-a.y)*(x-a.x)/(b.x-a.x)
}

// wander is a slow random walk around 0 (Ornstein-Uhlenbeck).
type wander struct{ value, sigma, tau float64 }

func (w *wander) next(dt float64, r *rand.Rand) float64 {
	w.value += -w.value*dt/w.tau + w.sigma*math.Sqrt(2*dt/w.tau)*r.NormFloat64()
	return w.value
}

// follow moves value towards target with a first-order lag.
func follow(value *float64, target, tau, dt float64) {
	*value += (target - *value) * (1 - math.Exp(-dt/tau))
}

// model is the simulation's moving state.
type model struct {
	o       Options
	random  *rand.Rand
	seconds float64 // drive's time
	warmth  float64 // time constant of the warm-up, s
	state   State
	aim     float64 // commanded λ without oscillation
	rpm     float64 // without the unsteadiness of combustion
	kPa     float64
	fuel    float64 // percent in the tank

	unevenRPM, unevenMAP, unevenFuel, trim wander

	exhaust exhaust
}

func newModel(o Options, warmth float64) *model {
	m := &model{
		o: o, random: rand.New(rand.NewPCG(o.Seed, 0xCA12)), warmth: warmth, aim: 1, kPa: ambient, fuel: 62,
		unevenRPM: wander{sigma: 5, tau: 0.4}, unevenMAP: wander{sigma: 0.25, tau: 0.3},
		unevenFuel: wander{sigma: 0.0015, tau: 0.5}, trim: wander{sigma: 0.3, tau: 60},
	}
	m.exhaust = newExhaust(o.PipeLitres, o.SensorLag.Seconds())
	return m
}

// advance moves the car by one step in mode l, of which part (0 to 1) is over, and returns the new state.
func (m *model) advance(l mode, part float64) State {
	dt := step.Seconds()
	m.seconds += dt
	s := &m.state
	at := func(pair [2]float64) float64 { return pair[0] + (pair[1]-pair[0])*part }

	tau := 0.12
	if l.name == stop.name || l.name == off.name {
		tau = 0.25
	}
	follow(&m.rpm, at(l.rpm), tau, dt)
	turning := l.rpm[0] > 0 || m.rpm > 30
	if !turning {
		m.rpm = 0
	}
	aim := at(l.kPa)
	angle := throttleAngle(aim, m.rpm)
	if l.kPa[0] == 0 {
		aim, angle = wideOpen(m.rpm), wideOpenAngle
	} else if l.rpm[0] == 0 {
		angle = restAngle
	}
	if s.Throttle == 0 {
		s.Throttle = angle
	}
	follow(&s.Throttle, angle, 0.08, dt)
	before := m.kPa
	follow(&m.kPa, aim, 0.12, dt)
	follow(&s.Speed, at(l.speed), 0.1, dt)
	follow(&s.Pedal, l.pedal, 0.12, dt)
	follow(&s.Spark, l.spark, 0.1, dt)

	uneven, surge := m.unevenRPM.next(dt, m.random), m.unevenMAP.next(dt, m.random)
	s.Ignition = l.name != off.name
	s.Running = turning && l.name != crank.name && l.name != stop.name && l.name != off.name
	s.RPM, s.MAP = m.rpm, m.kPa
	if turning && s.Running {
		s.RPM, s.MAP = m.rpm+uneven, min(m.kPa+surge, ambient)
	}
	m.surroundings(l, dt)
	m.air()
	m.mixture(l, at(l.lambda), (m.kPa-before)/dt, dt)
	s.LambdaSensor, s.LambdaECU, s.Delay = m.exhaust.advance(s.RPM, s.MAF, s.LambdaCylinder, m.o.Leak, dt)
	if m.o.OwnSensorError != 0 || m.o.ClosedLoopBias != 0 {
		s.LambdaECU = max(0, 1+(s.LambdaECU-1-m.o.ClosedLoopBias)*(1+m.o.OwnSensorError))
	}
	return *s
}

// surroundings moves what changes slowly: temperatures, supply, fuel, running time.
func (m *model) surroundings(l mode, dt float64) {
	s := &m.state
	s.Baro, s.OutsideAir = ambient, outside
	if s.Running {
		s.RunTime += dt
		m.fuel -= s.MAF / stoichiometric / 745 / 50 * dt * 100 // grams into a tank of 50 l at 745 g/l
	}
	s.FuelLevel = m.fuel
	s.Coolant = 91 - 71*math.Exp(-s.RunTime/m.warmth)
	s.IntakeAir = 29 - 9*math.Exp(-s.RunTime/(4*m.warmth))
	supply := 12.3
	switch {
	case !s.Ignition:
		supply = 12.6
	case l.name == crank.name:
		supply = 10.3
	case s.Running:
		supply = m.o.Charging
	}
	if s.SupplyVolts == 0 {
		s.SupplyVolts = supply
	}
	follow(&s.SupplyVolts, supply, 0.15, dt)
}

// air moves flow and load.
func (m *model) air() {
	s := &m.state
	s.MAF = speedDensity(volumetric(s.RPM, s.MAP), s.MAP, s.RPM, s.IntakeAir)
	s.Load, s.LoadAbs = 0, loadAbsolute(s.MAF, s.RPM)
	if s.RPM > 0 {
		open := wideOpen(s.RPM)
		s.Load = min(100, 100*s.MAF/speedDensity(volumetric(s.RPM, open), open, s.RPM, s.IntakeAir))
	}
}

// mixture moves command, trims and the mixture in the cylinder. pressureRate is in kPa/s: wetting of the walls makes
// the mixture lean for a moment when the throttle opens, and rich when it closes.
func (m *model) mixture(l mode, aim, pressureRate, dt float64) {
	s := &m.state
	follow(&m.aim, aim, 0.12, dt)
	s.CommandedLambda, s.STFT = m.aim, 0
	if l.closed {
		swing := ditherShare * math.Sin(2*math.Pi*ditherHertz*m.seconds)
		s.CommandedLambda *= 1 + swing
		s.STFT = 100*(1/(1+swing)-1) - 100*m.unevenFuel.value
	}
	s.LTFT = 3.1 + m.trim.next(dt, m.random)
	missed := m.unevenFuel.next(dt, m.random) + max(-0.05, min(0.05, pressureRate*1.5e-4))
	s.LambdaCylinder = s.CommandedLambda * (1 + missed)
	if l.closed {
		s.LambdaCylinder += m.o.ClosedLoopBias
	}
	s.FuelCut = l.cut
	switch {
	case !s.Running && l.name != crank.name:
		s.FuelStatus = 0
		s.LambdaCylinder = air
	case l.cut:
		s.FuelStatus = 4
		s.CommandedLambda, s.LambdaCylinder = 2, air
	case l.load:
		s.FuelStatus = 4
	case l.closed:
		s.FuelStatus = 2
	default:
		s.FuelStatus = 1
	}
}
