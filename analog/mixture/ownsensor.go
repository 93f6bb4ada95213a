package mixture

import (
	"math"
	"time"
)

// How the car's own wide-range sensor is compared (common practice, no source).
const (
	ownLow, ownHigh = 0.75, 1.25             // λ within which both are good
	ownStill        = 0.03                   // λ: it moves no more than this over stillTime
	stillTime       = 600 * time.Millisecond //
	ownRich         = 0.95                   // below it a pair counts as rich
	leastRich       = 60                     // pairs
	ownNoise        = 0.004                  // λ: what one of its values is off by at random, its resolution and its lag included

	lagFirst, lagLast, lagStep = -300 * time.Millisecond, 500 * time.Millisecond, 20 * time.Millisecond
	lags                       = int((lagLast-lagFirst)/lagStep) + 1
)

// pairs compares the wideband with the car's own sensor, at every lag that one may have behind the other at once. What is kept
// is sums.
type pairs struct {
	told []said
	sums [lags]sums
}

// sums are those of a straight-line fit.
type sums struct {
	n, x, y, xx, xy, yy float64
	richN, richX        float64
}

func (s *sums) add(x, y float64) {
	s.n++
	s.x, s.y = s.x+x, s.y+y
	s.xx, s.xy, s.yy = s.xx+x*x, s.xy+x*y, s.yy+y*y
	if x < ownRich {
		s.richN, s.richX = s.richN+1, s.richX+x
	}
}

func (s *sums) moments() (mx, my, sxx, sxy, syy float64) {
	mx, my = s.x/s.n, s.y/s.n
	return mx, my, s.xx/s.n - mx*mx, s.xy/s.n - mx*my, s.yy/s.n - my*my
}

// correlation is that of both.
func (s *sums) correlation() float64 {
	_, _, sxx, sxy, syy := s.moments()
	if !(sxx > 0 && syy > 0) {
		return 0
	}
	return sxy / math.Sqrt(sxx*syy)
}

// deming is the line through points whose both coordinates are in error, ratio being the variance of y's errors over that of x's
// (Deming, Statistical Adjustment of Data, from memory). residual is the standard deviation of y about the line that is left.
func (s *sums) deming(ratio float64) (slope, intercept, residual float64) {
	mx, my, sxx, sxy, syy := s.moments()
	d := syy - ratio*sxx
	slope = (d + math.Sqrt(d*d+4*ratio*sxy*sxy)) / (2 * sxy)
	return slope, my - slope*mx, math.Sqrt(max(0, syy-2*slope*sxy+slope*slope*sxx))
}

func (p *pairs) feed(f *frame, past *past) {
	if s := f.since[OwnLambda]; f.known[OwnLambda] && f.at-s <= fresh {
		if n := len(p.told); n == 0 || p.told[n-1].at < s {
			p.told = append(p.told, said{s, f.is[OwnLambda]})
		}
	}
	for len(p.told) > 0 && p.told[0].at+stillTime < f.at-lagLast {
		p.pair(past)
	}
}

// pair takes the oldest value told, compares it, and forgets it.
func (p *pairs) pair(past *past) {
	own := p.told[0]
	still := own.value >= ownLow && own.value <= ownHigh
	for _, s := range p.told[1:] {
		if s.at > own.at+stillTime {
			break
		}
		still = still && math.Abs(s.value-own.value) <= ownStill
	}
	p.told = p.told[:copy(p.told, p.told[1:])]
	if !still || !past.all(own.at+lagFirst, own.at+lagLast, Valid) {
		return
	}
	for i := range lags {
		if volts, ok := past.volts(own.at + lagFirst + time.Duration(i)*lagStep); ok {
			p.sums[i].add(own.value, volts)
		}
	}
}

// best is the lag at which both agree best.
func (p *pairs) best() (lag time.Duration, s *sums) {
	s = &p.sums[0]
	lag = lagFirst
	for i := range p.sums {
		if c := &p.sums[i]; match(c) > match(s) {
			s, lag = c, lagFirst+time.Duration(i)*lagStep
		}
	}
	return lag, s
}

// level is the rich side as the car's own sensor knows it. Near λ = 1 it knows nothing that closed loop does not tell: the
// engine's computer makes its own sensor read what it commands.
func (p *pairs) level(law Law, at time.Duration) (Observed, bool) {
	_, s := p.best()
	if s.richN < leastRich || s.n-s.richN < leastRich || match(s) < 0.9 {
		return Observed{}, false
	}
	ratio := 1 / (law.Slope() * law.Slope()) // both are off by as much λ
	slope, intercept, residual := s.deming(ratio)
	rich := s.richX / s.richN
	// Readings of one stay on the rich side are one, as far as what moves both alike goes.
	random := residual / math.Sqrt(max(1, s.richN/leastRich))
	return Observed{At: at, Sigma: residual, Level: Level{
		Kind: OwnSensorKind, Known: law.Volts(rich), Seen: slope*rich + intercept, Random: random,
		Tolerance:  OwnSensorTolerance * (1 - rich) / math.Abs(law.Slope()),
		ClosedLoop: ClosedLoopTolerance / math.Abs(law.Slope()),
	}}, true
}
