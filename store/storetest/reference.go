package storetest

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"underdash/store"
)

// Reference is a synthetic drive to measure storage with: 60 OBD readings a second of 12 parameters, each its own
// request, and one analog input at 100 a second. The same seed gives the same drive on every machine of one word size.
//
// The requests follow each other as an adapter's do: every 16.7 ms with a jitter of 1.5 ms rms, and 3 % of them
// hiccup by another 8 ms on average, exponentially distributed. The analog input is read by a timer of 10 ms that
// wakes up late by half a Gaussian of 60 µs, 1 % of the times by up to 500 µs more; its code is a mixture signal
// behind two lags of 70 and 50 ms, with white noise of 3 LSB rms of 16 bits.
type Reference struct {
	Seed   uint64
	Length time.Duration // 0 = one hour
	Bounds bool          // half widths of requests vary with the answering time; without, all are 10 ms
}

// The half widths that are stated where they do not vary: of an OBD reading and of an analog one.
const (
	referenceOBDHalf    = 10 * time.Millisecond
	referenceAnalogHalf = 580 * time.Microsecond
)

// parameter is one of the polled ones.
type parameter struct {
	pid      byte
	bytes    int
	rate     float64 // a second
	acronym  string
	mul, add float64 // quantity = code·mul + add, by SAE J1979
	decimals int     // that tell neighbouring codes apart
	code     func(c *referenceCar) float64
}

var referenceParameters = []parameter{
	{0x0C, 2, 8, "RPM", 0.25, 0, 2, func(c *referenceCar) float64 { return 4 * (c.rpm + 4.5*c.r.NormFloat64()) }},
	{0x04, 1, 8, "LOAD_PCT", 100.0 / 255, 0, 1, func(c *referenceCar) float64 { return 2.55*c.load + 1.5*c.r.NormFloat64() }},
	{0x0B, 1, 8, "MAP", 1, 0, 0, func(c *referenceCar) float64 { return 25 + 0.75*c.load + 0.55*c.r.NormFloat64() }},
	{0x11, 1, 8, "TP", 100.0 / 255, 0, 1, func(c *referenceCar) float64 { return 30 + 0.9*c.load + 0.2*c.r.NormFloat64() }},
	{0x10, 2, 8, "MAF", 0.01, 0, 2, func(c *referenceCar) float64 { return c.rpm*(8+c.load)/140 + 9*c.r.NormFloat64() }},
	{0x0D, 1, 8, "VSS", 1, 0, 0, func(c *referenceCar) float64 { return c.speed }},
	{0x06, 1, 6, "SHRTFT1", 100.0 / 128, -100, 1, func(c *referenceCar) float64 { return 128 + c.trim + 0.9*c.r.NormFloat64() }},
	{0x0E, 1, 4, "SPARKADV", 0.5, -64, 1, func(c *referenceCar) float64 { return 128 + 2*(10+c.rpm/200-c.load/8) + 0.9*c.r.NormFloat64() }},
	{0x07, 1, 1, "LONGFT1", 100.0 / 128, -100, 1, func(c *referenceCar) float64 { return 128 + 3*math.Sin(c.at/400) }},
	{0x05, 1, 0.4, "ECT", 1, -40, 0, func(c *referenceCar) float64 { return 40 + 90 - 70*math.Exp(-c.at/300) }},
	{0x0F, 1, 0.3, "IAT", 1, -40, 0, func(c *referenceCar) float64 { return 40 + 20 + 8*math.Sin(c.at/700) }},
	{0x42, 2, 0.3, "VPWR", 0.001, 0, 3, func(c *referenceCar) float64 { return 14100 + 11*c.r.NormFloat64() }},
}

// ReferenceAnalog is the number of the analog input's channel; those before it are polled.
const ReferenceAnalog = 12

// ReferencePeriod is the analog input's timer.
const ReferencePeriod = 10 * time.Millisecond

const (
	polls          = 60.0 // a second
	conversions    = 100.0
	engineComputer = 0x7E8
	scale          = 5000.0 / 65536 // millivolts a code
	leanest        = 4.5            // volts: the lean end of the scale

	pollJitter = 1.5e-3 // seconds rms
	hiccups    = 0.03
	hiccup     = 8e-3 // seconds on average
	wake       = 60e-6
	latest     = 500e-6
	lateWakes  = 0.01
	noise      = 3.0 // LSB rms
)

// ReferenceQuantity is what a reading's code means, and with how many decimals neighbouring codes differ.
func ReferenceQuantity(s store.Sample) (name string, value float64, decimals int) {
	if s.Channel == ReferenceAnalog {
		return "wideband", float64(s.Code) * scale / 1000, 5
	}
	p := referenceParameters[s.Channel]
	return p.acronym, float64(s.Code)*p.mul + p.add, p.decimals
}

// Meta is the drive's description.
func (d Reference) Meta() store.Meta {
	m := store.Meta{Software: "reference drive", Fuel: store.Fuel{Name: "E10", AFRst: 14.1}}
	for _, p := range referenceParameters {
		m.Channels = append(m.Channels, store.Channel{Name: fmt.Sprintf("01.%02X@%X", p.pid, engineComputer),
			OBD: &store.OBDChannel{Service: 1, PID: p.pid, From: engineComputer, Bytes: p.bytes}})
	}
	m.Channels = append(m.Channels, store.Channel{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: scale,
		Divider: 1, Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: leanest, Value: 1.35}, Rate: conversions}})
	return m
}

// Samples are the drive's readings in the order of their instants.
func (d Reference) Samples() []store.Sample {
	if d.Length <= 0 {
		d.Length = time.Hour
	}
	all := append(d.polled(), d.converted()...)
	slices.SortStableFunc(all, func(a, b store.Sample) int { return cmp.Compare(a.At, b.At) })
	return all
}

// polled are the adapter's readings. The parameter that is most overdue is asked next.
func (d Reference) polled() []store.Sample {
	c := newReferenceCar(d.Seed)
	r := rand.New(rand.NewPCG(d.Seed, 2))
	base := 1/polls - hiccups*hiccup
	due := make([]int, len(referenceParameters)) // in 240ths of a second, so that the schedule repeats itself exactly
	var all []store.Sample
	for at := 0.0; at < d.Length.Seconds(); {
		next := 0
		for i := range due {
			if due[i] < due[next] {
				next = i
			}
		}
		due[next] += int(math.Round(240 / referenceParameters[next].rate))
		c.drive(at)
		half := referenceOBDHalf
		if d.Bounds {
			half = time.Duration((6 + r.NormFloat64()) * float64(time.Millisecond)).Abs()
		}
		all = append(all, store.Sample{At: instant(at), Half: half, Channel: uint16(next), Code: referenceParameters[next].read(c)})
		step := base + pollJitter*r.NormFloat64()
		if r.Float64() < hiccups {
			step += hiccup * r.ExpFloat64()
		}
		at += max(step, 1e-3)
	}
	return all
}

func (p parameter) read(c *referenceCar) int64 {
	return int64(min(max(math.Round(p.code(c)), 0), float64(int(1)<<(8*p.bytes)-1)))
}

// converted are the analog input's readings.
func (d Reference) converted() []store.Sample {
	r := rand.New(rand.NewPCG(d.Seed, 3))
	c := newReferenceCar(d.Seed)
	var all []store.Sample
	first, second := 1.0, 1.0 // λ behind the gas's way and the sensor
	for n := 0; float64(n)/conversions < d.Length.Seconds(); n++ {
		at := float64(n) / conversions
		c.drive(at)
		first += (c.lambda(at) - first) / (conversions * 0.070)
		second += (first - second) / (conversions * 0.050)
		volts := min(0.5+(second-0.65)/0.7*4, leanest+0.2)
		late := wake * math.Abs(r.NormFloat64())
		if r.Float64() < lateWakes {
			late += latest * r.Float64()
		}
		all = append(all, store.Sample{At: instant(at + late), Half: referenceAnalogHalf, Channel: ReferenceAnalog,
			Code: int64(math.Round(volts*1000/scale + noise*r.NormFloat64()))})
	}
	return all
}

func instant(seconds float64) time.Duration { return time.Duration(math.Round(seconds * 1e9)) }

// referenceCar is a driver's route and an engine's answer to it, as simple as gives codes that move like real ones.
type referenceCar struct {
	r     *rand.Rand
	at    float64 // seconds
	until float64 // when the driver wants something else
	want  float64 // km/h
	speed float64 // km/h
	rpm   float64
	load  float64 // percent
	trim  float64 // of a hundred and twenty-eighth
	phase float64 // of the closed loop, radians
}

func newReferenceCar(seed uint64) *referenceCar {
	return &referenceCar{r: rand.New(rand.NewPCG(seed, 1)), rpm: 800, load: 25}
}

// drive moves the car on to an instant, in steps of 10 ms so that both sources see the same route.
func (c *referenceCar) drive(at float64) {
	const step = 0.01
	for c.at < at {
		c.at += step
		if c.at >= c.until {
			// The route has numbers of its own: what a reading draws must not move the car.
			n := math.Mod(math.Sin(c.until*12.9898+1)*43758.5453, 1)
			c.want = []float64{0, 30, 50, 50, 70, 100, 130}[int(math.Abs(n)*7)%7]
			c.until += 15 + 45*math.Abs(math.Mod(n*100, 1))
		}
		pull := min(max((c.want-c.speed)*0.12, -6), 5) // km/h a second
		c.speed = max(0, c.speed+pull*step)
		ratio := 120.0
		for _, g := range []float64{70, 50, 38, 30} {
			if c.speed*ratio > 2600 {
				ratio = g
			}
		}
		rpm := max(800, c.speed*ratio)
		c.rpm += (rpm - c.rpm) * step / 0.3
		c.load += (min(max(25+pull*11+c.speed/5, 8), 100) - c.load) * step / 0.4
		c.phase += 2 * math.Pi * (0.5 + c.rpm/4000) * step
		c.trim = 1.2*math.Sin(c.phase) + 4*math.Sin(c.at/9)
	}
}

// lambda is the mixture at the exhaust ports.
func (c *referenceCar) lambda(at float64) float64 {
	switch {
	case c.load < 10: // overrun: the fuel is cut
		return 1.5
	case c.load > 85:
		return 0.86
	}
	wave := 0.018 * math.Copysign(1, math.Sin(c.phase))
	return 1 + wave + 0.02*math.Sin(at/5) + 0.01*math.Sin(at/1.7)
}
