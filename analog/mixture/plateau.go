package mixture

import (
	"math"
	"time"
)

// plateau is a run of readings at one level.
type plateau struct {
	since, last time.Duration
	n           int
	mean, m2    float64 // Welford's running mean and sum of squared deviations
	recent      float64 // mean that forgets over about a second: a warm-up level may drift with the heater's current
	certain     bool    // something tells that it is not free air
}

func (p *plateau) length() time.Duration { return p.last - p.since }

func (p *plateau) holds(volts float64) bool { return math.Abs(volts-p.recent) <= holdVolts }

// extend adds a reading to the run, or starts a new run with it.
func (p *plateau) extend(t time.Duration, volts float64) {
	if p.n > 0 && !p.holds(volts) {
		*p = plateau{}
	}
	p.add(t, volts)
}

func (p *plateau) add(t time.Duration, volts float64) {
	if p.n == 0 {
		*p = plateau{since: t, last: t, recent: volts}
	}
	p.n++
	d := volts - p.mean
	p.mean += d / float64(p.n)
	p.m2 += d * (volts - p.mean)
	forget := max(1/float64(p.n), min(1, (t-p.last).Seconds()))
	p.recent += forget * (volts - p.recent)
	p.last = t
}

func (p *plateau) sigma() float64 {
	if p.n < 2 {
		return 0
	}
	return math.Sqrt(p.m2 / float64(p.n-1))
}
