package mixture

import (
	"math"
	"math/rand/v2"
	"time"
)

// part is a stretch of a made-up drive at one operating point.
type part struct {
	length                 float64 // s
	rpm, kPa, flow, road   float64
	status                 float64
	lambda                 float64 // commanded, before the loop's swing; 10 is air
	swing                  float64 // part of λ
	throttle, coolant, run float64
}

func idling(s float64) part {
	return part{length: s, rpm: 800, kPa: 30, flow: 2.5, status: 2, lambda: 1, swing: 0.015, throttle: 13, coolant: 90, run: 600}
}

func cruising(s float64) part {
	return part{length: s, rpm: 2500, kPa: 45, flow: 15, road: 60, status: 2, lambda: 1, swing: 0.015, throttle: 20, coolant: 90, run: 600}
}

func pulling(s float64) part {
	return part{length: s, rpm: 4000, kPa: 97, flow: 80, road: 100, status: 4, lambda: 0.86, throttle: 80, coolant: 90, run: 600}
}

func cutting(s float64) part {
	return part{length: s, rpm: 2500, kPa: 22, flow: 5, road: 80, status: 4, lambda: 10, throttle: 12, coolant: 90, run: 600}
}

// exhaust is its flow in g/s: the air, and the fuel where any is burnt.
func (p part) exhaust() float64 {
	if p.lambda >= 10 {
		return p.flow
	}
	return p.flow * 1.07
}

// made is a made-up car: what the drive is made of, the chain, and what is wrong with it.
type made struct {
	parts   []part
	levels  Levels
	chain   Chain
	noise   float64
	delay   DelayModel
	change  func(t float64, is *[quantities]float64) // what the engine's computer says, put wrong
	plug    func(t, volts float64) float64
	without map[Quantity]bool
	seed    uint64
	ends    Ends // of the converter
	every   int  // of a hundred readings a second the converter delivers every so many; 0: all
}

const tick = 0.01 // s between readings

// observe drives the made-up car past an observer, and past another function if there is one.
func (m made) observe() *Observer {
	o := NewObserver(m.levels)
	o.Converter(m.ends)
	m.drive(func(t time.Duration, q Quantity, v float64) { o.Engine(t, q, v) },
		func(t time.Duration, volts float64, s State) { o.Reading(t, volts, s) })
	o.Finish()
	return o
}

func (m made) drive(engine func(time.Duration, Quantity, float64), reading func(time.Duration, float64, State)) {
	r := rand.New(rand.NewPCG(m.seed, 77))
	limit := NewLimit(m.levels)
	low, high := m.levels.span()
	var commands []float64 // one a tick
	t, lagged, uneven := 0.0, 1.0, 0.0
	for _, p := range m.parts {
		for end := t + p.length; t < end-tick/2; t += tick {
			commanded := p.lambda * (1 + p.swing*math.Sin(2*math.Pi*0.28*t))
			uneven += -uneven*tick/0.5 + 0.0015*math.Sqrt(2*tick/0.5)*r.NormFloat64()
			burnt := commanded * (1 + uneven)
			commands = append(commands, burnt)
			at := burnt
			if d := m.delay.Dead(p.rpm, p.exhaust()); d > 0 {
				at = commands[max(0, len(commands)-1-int(math.Round(d/tick)))]
			}
			if m.delay.Lag > 0 {
				lagged += (at - lagged) * (1 - math.Exp(-tick/m.delay.Lag))
			} else {
				lagged = at
			}
			now := seconds(t)
			m.say(now, p, commanded, lagged, engine)
			controller := min(high, max(low, m.levels.Law.Volts(lagged)))
			volts := m.chain.Seen(controller) + m.noise*r.NormFloat64()
			if m.plug != nil {
				volts = m.plug(t, volts)
			}
			if state := limit.Feed(controller); m.every == 0 || len(commands)%m.every == 0 {
				reading(now, volts, state)
			}
		}
	}
}

// say tells what the engine's computer says: fast quantities every 50 ms, others twice a second.
func (m made) say(now time.Duration, p part, commanded, own float64, engine func(time.Duration, Quantity, float64)) {
	var is [quantities]float64
	is[EngineSpeed], is[ManifoldPressure], is[AirFlow], is[VehicleSpeed] = p.rpm, p.kPa, p.flow, p.road
	is[FuelStatus], is[Throttle], is[Coolant], is[RunTime] = p.status, p.throttle, p.coolant, p.run
	is[CommandedLambda], is[OwnLambda] = min(1.99997, commanded), min(1.99997, own)
	is[IntakeAir], is[LongTrim], is[EngineLoad] = 30, 3, p.kPa
	if m.change != nil {
		m.change(now.Seconds(), &is)
	}
	n := int(math.Round(now.Seconds() / tick))
	for q := range quantities {
		fast := q == EngineSpeed || q == AirFlow || q == ManifoldPressure || q == Throttle || q == OwnLambda
		if every := 50; m.without[q] || (fast && n%5 != int(q)%5) || (!fast && n%every != int(q)%every) {
			continue
		}
		engine(now, q, is[q])
	}
}
