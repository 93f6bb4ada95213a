package mixture

// Ends are the volts at the plug that a converter's lowest and highest code stand for. A level at either may be anywhere beyond,
// so it is none of the controller's. Quietness does not tell: a controller's own clipped output stands stiller than any mixture.
// The zero value is a converter whose range is not known.
type Ends struct{ Low, High float64 }

// endShare is how near to an end a level is taken for it, as a part of the range: a code of a converter of ten bits (common
// practice, no source).
const endShare = 0.001

// leastNoise is, in volts, what a converter shows that can tell noise at all.
const leastNoise = 0.001

// clip tells whether readings with that mean and noise, in volts, can be cut off by the converter. Where the range is not known,
// readings that are all one and the same code are taken to be, if others, with a noise elsewhere, are not: a converter repeats its
// last code for all that lies beyond it.
func (e Ends) clip(mean, noise, elsewhere float64) bool {
	if !(e.High > e.Low) {
		return noise == 0 && elsewhere > leastNoise
	}
	near := endShare*(e.High-e.Low) + 3*noise
	return mean <= e.Low+near || mean >= e.High-near
}
