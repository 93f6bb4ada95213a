package mixture

import "math"

// inverse inverts a symmetric positive definite matrix by Cholesky's decomposition; not ok if it is none.
func inverse(m [][]float64) (inv [][]float64, ok bool) {
	n := len(m)
	l := square(n)
	for i := range n {
		for j := range i + 1 {
			s := m[i][j]
			for k := range j {
				s -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = s / l[j][j]
				continue
			}
			if !(s > 0) || math.IsInf(s, 0) {
				return nil, false
			}
			l[i][i] = math.Sqrt(s)
		}
	}
	inv = square(n)
	for c := range n { // column by column: L·Lᵀ·x = unit vector
		x := make([]float64, n)
		for i := range n {
			if i == c {
				x[i] = 1
			}
			for k := range i {
				x[i] -= l[i][k] * x[k]
			}
			x[i] /= l[i][i]
		}
		for i := n - 1; i >= 0; i-- {
			for k := i + 1; k < n; k++ {
				x[i] -= l[k][i] * x[k]
			}
			x[i] /= l[i][i]
		}
		for i := range n {
			inv[i][c] = x[i]
		}
	}
	return inv, true
}

func square(n int) [][]float64 {
	m := make([][]float64, n)
	for i := range m {
		m[i] = make([]float64, n)
	}
	return m
}

// chiSquareTail is the probability of a χ² at least as large by chance: the regularised upper incomplete gamma function
// Q(n/2, χ²/2), by its series or its continued fraction (Abramowitz and Stegun, 6.5.29 and 6.5.31, from memory).
func chiSquareTail(chi float64, freedom int) float64 {
	if freedom <= 0 || !(chi > 0) {
		return 1
	}
	a, x := float64(freedom)/2, chi/2
	lg, _ := math.Lgamma(a)
	front := math.Exp(-x + a*math.Log(x) - lg)
	if x < a+1 {
		term, sum := 1/a, 1/a
		for n := a + 1; term > sum*1e-12; n++ {
			term *= x / n
			sum += term
		}
		return 1 - front*sum
	}
	const tiny = 1e-300 // keeps the fraction's parts from vanishing
	b := x + 1 - a
	c, d := 1/tiny, 1/b
	h := d
	for i := 1.0; i < 200; i++ {
		an := -i * (i - a)
		b += 2
		d = 1 / nonzero(an*d+b, tiny)
		c = nonzero(b+an/c, tiny)
		h *= d * c
		if math.Abs(d*c-1) < 1e-12 {
			break
		}
	}
	return front * h
}

func nonzero(x, tiny float64) float64 {
	if math.Abs(x) < tiny {
		return tiny
	}
	return x
}

// effective is how many independent readings are in n readings with the correlation rho from one to the next:
// n(1 − ρ)/(1 + ρ), of a first-order process (common practice). At least 1.
func effective(n int, rho float64) float64 {
	rho = min(0.9999, max(0, rho))
	return max(1, float64(n)*(1-rho)/(1+rho))
}

// correlation is that of each value with the next; 0 where it cannot be told.
func correlation(values []float64) float64 {
	m, v := meanVariance(values)
	if !(v > 0) || len(values) < 3 {
		return 0
	}
	s := 0.0
	for i := 1; i < len(values); i++ {
		s += (values[i] - m) * (values[i-1] - m)
	}
	return s / float64(len(values)-1) / v
}

// meanVariance gives the mean and the variance about it (of n − 1); NaN and 0 for no values.
func meanVariance(values []float64) (mean, variance float64) {
	if len(values) == 0 {
		return math.NaN(), 0
	}
	for _, v := range values {
		mean += v
	}
	mean /= float64(len(values))
	if len(values) < 2 {
		return mean, 0
	}
	for _, v := range values {
		variance += (v - mean) * (v - mean)
	}
	return mean, variance / float64(len(values)-1)
}
