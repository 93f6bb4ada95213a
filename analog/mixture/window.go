package mixture

import "math"

// estimate is a mean with its standard uncertainty.
type estimate struct {
	mean, sigma float64
	from, to    int // the blocks it is the mean of
	effective   float64
}

// average gives the mean of a stretch of closed loop, sampled in blocks, and what it is known to. The loop swings: it is averaged
// over whole swings, and each swing counts as one reading. Where no swing is seen, the blocks' own correlation tells how
// many of them are independent.
func average(blocks []float64) estimate {
	mean, variance := meanVariance(blocks)
	all := estimate{mean: mean, to: len(blocks)}
	all.effective = effective(len(blocks), correlation(blocks))
	all.sigma = math.Sqrt(variance / all.effective)
	swings := crossings(blocks, mean, 0.3*math.Sqrt(variance))
	if len(swings) < leastSwings+1 {
		return all
	}
	var means []float64
	for i := 1; i < len(swings); i++ {
		m, _ := meanVariance(blocks[swings[i-1]:swings[i]])
		means = append(means, m)
	}
	from, to := swings[0], swings[len(swings)-1]
	m, _ := meanVariance(blocks[from:to])
	_, v := meanVariance(means)
	n := effective(len(means), correlation(means))
	// A scatter that is itself known from few swings is less certain: about what Student's t adds at 95 %.
	few := float64(len(means))
	sigma := math.Sqrt(v / n * (few + 1) / (few - 2))
	return estimate{mean: m, sigma: sigma, from: from, to: to, effective: n}
}

// leastSwings is how many whole swings it takes to average over them.
const leastSwings = 5

// crossings finds where values rise through level, having been below it by more than give before.
func crossings(values []float64, level, give float64) (at []int) {
	below := false
	for i, v := range values {
		switch {
		case v < level-give:
			below = true
		case v >= level && below:
			at, below = append(at, i), false
		}
	}
	return at
}

// weighted combines estimates of one quantity by their uncertainties. Where they scatter more than those explain, the scatter
// counts.
func weighted(values, sigmas []float64) (mean, sigma float64) {
	var w, sum float64
	for i, s := range sigmas {
		p := 1 / (s*s + leastRandom*leastRandom)
		w += p
		sum += p * values[i]
	}
	mean = sum / w
	chi := 0.0
	for i, s := range sigmas {
		chi += (values[i] - mean) * (values[i] - mean) / (s*s + leastRandom*leastRandom)
	}
	sigma = math.Sqrt(1 / w)
	if n := float64(len(values) - 1); n > 0 && chi > n {
		sigma *= math.Sqrt(chi / n)
	}
	return mean, sigma
}
