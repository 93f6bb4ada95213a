package mixture

import (
	"math"
	"slices"
	"time"
)

// When a fuel cut shows the top of a controller's output (common practice, no source).
const (
	leastCut   = time.Second            // a plateau must last so long
	leastStill = 10                     // and have so many frames
	edgeTime   = 300 * time.Millisecond // at both its ends so much is left out
	cutSigma   = 0.015                  // volts, of frames: a clipped output stands still
	cutRise    = 0.008                  // volts over the plateau: the sensor is not still on its way
	topBand    = 0.030                  // volts: nothing else in the drive lies further out
	leastCuts  = 3                      // before a level is made of them
	madLimit   = 3.5                    // times 1.4826 × the median deviation
)

// cuts collects the plateaus of fuel cuts.
type cuts struct {
	ends     Ends
	lean     float64 // sign of the direction in which volts tell a leaner mixture
	top      float64 // of that direction, the furthest that was seen outside warm-up, volts times lean
	last     [2]float64
	run      []still // the frames at one level that the present cut has
	plateaus []cutPlateau
}

// still is what is kept of a frame in a cut.
type still struct {
	at     time.Duration
	volts  float64
	rough  float64
	roughN int
}

// cutPlateau is one fuel cut's plateau.
type cutPlateau struct {
	at, length time.Duration
	mean       float64
	sigma      float64 // of the mean
	noise      float64 // of single readings
}

func newCuts(law Law) cuts {
	lean := 1.0
	if law.Slope() < 0 {
		lean = -1
	}
	return cuts{lean: lean, top: math.Inf(-1), last: [2]float64{math.NaN(), math.NaN()}}
}

func (c *cuts) feed(f *frame) {
	onScale := f.state == Valid || f.state == HighLimit || f.state == LowLimit
	if onScale {
		// The middle one of three: a single spike is no top.
		if m := middle(c.lean*f.volts, c.last[0], c.last[1]); m > c.top {
			c.top = m
		}
		c.last[1], c.last[0] = c.last[0], c.lean*f.volts
	}
	cut, known := f.cut()
	if !known || !cut || !onScale {
		c.finish()
		return
	}
	// The cut's own beginning and end are left behind as soon as the level moves.
	if n := len(c.run); n > 0 && math.Abs(f.volts-c.run[n-1].volts) > holdVolts {
		c.finish()
	}
	if len(c.run) < mostCut {
		c.run = append(c.run, still{f.at, f.volts, f.rough, f.roughN})
	}
}

// mostCut bounds what is kept of a cut: 30 s.
const mostCut = 1500

func (c *cuts) finish() {
	run := c.run
	c.run = c.run[:0]
	if len(run) == 0 {
		return
	}
	from, to := run[0].at+edgeTime, run[len(run)-1].at-edgeTime
	for len(run) > 0 && run[0].at < from {
		run = run[1:]
	}
	for len(run) > 0 && run[len(run)-1].at > to {
		run = run[:len(run)-1]
	}
	if len(run) < leastStill || to-from < leastCut {
		return
	}
	if p, ok := settled(run); ok {
		c.plateaus = append(c.plateaus, p)
	}
}

// settled makes a plateau of frames if they stand still.
func settled(frames []still) (p cutPlateau, ok bool) {
	var t, v, tt, tv, rough float64
	roughN := 0
	n := float64(len(frames))
	first := frames[0].at
	for i := range frames {
		f := &frames[i]
		x := (f.at - first).Seconds()
		t, v, tt, tv = t+x, v+f.volts, tt+x*x, tv+x*f.volts
		rough, roughN = rough+f.rough, roughN+f.roughN
	}
	slope := (n*tv - t*v) / (n*tt - t*t)
	p.mean = v / n
	squares := 0.0
	for i := range frames {
		d := frames[i].volts - p.mean
		squares += d * d
	}
	scatter := math.Sqrt(squares / (n - 1))
	p.at = frames[len(frames)-1].at
	p.length = p.at - first
	p.sigma, p.noise = scatter/math.Sqrt(n), noise(rough, roughN)
	return p, scatter <= cutSigma && math.Abs(slope)*p.length.Seconds() <= cutRise+4*scatter*math.Sqrt(12/n)
}

// level is the top of the output as the cuts show it. elsewhere is the noise of single readings on the scale.
func (c *cuts) level(l Levels, elsewhere float64) (Observed, bool) {
	var kept []cutPlateau
	for _, p := range c.plateaus {
		if c.lean*p.mean >= c.top-topBand-3*elsewhere && !c.ends.clip(p.mean, p.noise, elsewhere) {
			kept = append(kept, p)
		}
	}
	kept = withoutOutliers(kept)
	if len(kept) < leastCuts {
		return Observed{}, false
	}
	o := Observed{Level: Level{Kind: FuelCutKind, Known: l.Top(), Tolerance: OutputTolerance}}
	var values, sigmas []float64
	for _, p := range kept {
		values, sigmas = append(values, p.mean), append(sigmas, p.sigma)
		o.At, o.Length, o.Sigma = p.at, o.Length+p.length, max(o.Sigma, p.noise)
	}
	o.Seen, o.Random = weighted(values, sigmas)
	return o, true
}

// withoutOutliers leaves out what is further from the median than 3.5 standard deviations as the median deviation tells them;
// that is taken for at least 2 mV.
func withoutOutliers(all []cutPlateau) (kept []cutPlateau) {
	var means, off []float64
	for _, p := range all {
		means = append(means, p.mean)
	}
	m := median(means)
	for _, v := range means {
		off = append(off, math.Abs(v-m))
	}
	limit := madLimit * 1.4826 * max(0.002, median(off))
	for _, p := range all {
		if math.Abs(p.mean-m) <= limit {
			kept = append(kept, p)
		}
	}
	return kept
}

// middle is the middle one of three; NaN if one is.
func middle(a, b, c float64) float64 {
	return max(min(a, b), min(max(a, b), c))
}

// median is NaN for no values.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	s := slices.Sorted(slices.Values(values))
	n := len(s)
	return (s[(n-1)/2] + s[n/2]) / 2
}
