package mixture

import (
	"math"
	"time"
)

// estimate is a mean with its standard uncertainty.
type estimate struct {
	mean, sigma float64
	from, to    int // the blocks it is the mean of
}

// average gives the mean of a stretch of closed loop, sampled in blocks, and what it is known to, by the means of batches: parts of
// three seconds at least, within which most of the noise's correlation dies away. The loop swings, so that a part is made of whole
// swings where swings are seen. What correlation the parts' means have left tells how many of them are independent, and a scatter
// that few parts tell is itself less certain: about what Student's t adds at 95 %.
func average(blocks []float64) estimate {
	mean, variance := meanVariance(blocks)
	cuts := swingCuts(crossings(blocks, mean, 0.3*math.Sqrt(variance)))
	if len(cuts) < leastParts+1 {
		n := max(2, len(blocks)/partBlocks)
		cuts = cuts[:0]
		for i := range n + 1 {
			cuts = append(cuts, i*len(blocks)/n)
		}
	}
	var means []float64
	for i := 1; i < len(cuts); i++ {
		m, _ := meanVariance(blocks[cuts[i-1]:cuts[i]])
		means = append(means, m)
	}
	e := estimate{from: cuts[0], to: cuts[len(cuts)-1]}
	e.mean, _ = meanVariance(blocks[e.from:e.to])
	_, v := meanVariance(means)
	n := float64(len(means))
	e.sigma = math.Sqrt(v / effective(len(means), correlation(means)) * (n + 1) / max(1, n-2))
	return e
}

// How a stretch is parted.
const (
	partBlocks  = int(3 * time.Second / blockSpan)
	leastParts  = 4 // of whole swings; fewer do not tell their scatter
	leastSwings = 5 // whole ones that it takes to believe in swings
)

// swingCuts are those of the swings' beginnings that are far enough apart; none where too few swings are seen.
func swingCuts(swings []int) (cuts []int) {
	if len(swings) < leastSwings+1 {
		return nil
	}
	for _, at := range swings {
		if len(cuts) == 0 || at-cuts[len(cuts)-1] >= partBlocks {
			cuts = append(cuts, at)
		}
	}
	return cuts
}

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
