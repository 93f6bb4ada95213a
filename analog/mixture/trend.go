package mixture

import "math"

// Point of a trend: a value and its standard uncertainty at some abscissa, days or a number of sessions.
type TrendPoint struct{ X, Value, Sigma float64 }

// Trend is how a value moves.
type Trend struct {
	Slope, Sigma float64 // a unit of X
	N            int
	Chance       float64 // probability of a slope as large if nothing moved; 1 with fewer than three points
}

// Moves tells whether the value moves for certain.
func (t Trend) Moves() bool { return t.N >= 3 && t.Chance < 0.01 }

// FitTrend fits a straight line by least squares, weighted by the points' uncertainties. Where the points scatter about the
// line by more than those explain, the scatter counts. The chance is that of Student's t.
func FitTrend(points []TrendPoint) Trend {
	var w, x, y, xx, xy float64
	for _, p := range points {
		q := 1 / (p.Sigma*p.Sigma + leastRandom*leastRandom)
		w, x, y, xx, xy = w+q, x+q*p.X, y+q*p.Value, xx+q*p.X*p.X, xy+q*p.X*p.Value
	}
	det := w*xx - x*x
	if len(points) < 3 || !(det > 1e-12*w*xx) {
		return Trend{N: len(points), Chance: 1}
	}
	t := Trend{N: len(points), Slope: (w*xy - x*y) / det}
	level := (y - t.Slope*x) / w
	chi := 0.0
	for _, p := range points {
		d := p.Value - level - t.Slope*p.X
		chi += d * d / (p.Sigma*p.Sigma + leastRandom*leastRandom)
	}
	free := len(points) - 2
	t.Sigma = math.Sqrt(w / det * max(1, chi/float64(free)))
	t.Chance = studentTail(math.Abs(t.Slope)/t.Sigma, free)
	return t
}

// studentTail is the probability of |t| at least as large, with so many degrees of freedom: the density is integrated by
// Simpson's rule over the angle arctan(t/√ν), in which it is cosᵛ⁻¹ up to a factor.
func studentTail(t float64, freedom int) float64 {
	const intervals = 400
	integral := func(from, to float64) float64 {
		h := (to - from) / intervals
		sum := 0.0
		for i := range intervals + 1 {
			weight := 2.0
			switch {
			case i == 0 || i == intervals:
				weight = 1
			case i%2 == 1:
				weight = 4
			}
			sum += weight * math.Pow(math.Max(0, math.Cos(from+float64(i)*h)), float64(freedom-1))
		}
		return sum * h / 3
	}
	whole := integral(0, math.Pi/2)
	return min(1, max(0, integral(math.Atan(t/math.Sqrt(float64(freedom))), math.Pi/2)/whole))
}

// Drift is how one kind of level moved over sessions.
type Drift struct {
	Kind  Kind
	Trend Trend // volts at the plug, less what the level is known to be, a unit of the sessions' abscissa
}

// Drifts looks how the levels of each kind moved over the sessions: levels[i] are those seen at x[i], in days or in sessions.
func Drifts(x []float64, levels [][]Level) (all []Drift) {
	points := make(map[Kind][]TrendPoint)
	var kinds []Kind
	for i, session := range levels {
		for _, l := range session {
			if !l.usable() {
				continue
			}
			if points[l.Kind] == nil {
				kinds = append(kinds, l.Kind)
			}
			points[l.Kind] = append(points[l.Kind], TrendPoint{x[i], l.Seen - l.Known, l.Random})
		}
	}
	for _, k := range kinds {
		all = append(all, Drift{k, FitTrend(points[k])})
	}
	return all
}
