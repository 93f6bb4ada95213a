package mixture

// Limit tells readings at an end of a controller's scale, where its output is clipped and only says "beyond", from those on the
// scale. Readings come in order: it takes 1 % of the scale to get in and 2 % to get out, so that noise does not make it flicker.
type Limit struct {
	low, high     float64 // volts
	atLow, atHigh State
	narrow        float64 // width of the band to get in
	state         State
}

// leastBand is the narrowest band, in volts.
const leastBand = 0.020

// NewLimit gives the limit of a controller with these levels: its scale ends at its top, where that is told, whatever the law says
// beyond it.
func NewLimit(l Levels) *Limit {
	low, high := l.span()
	m := &Limit{low: low, high: high, atLow: LowLimit, atHigh: HighLimit, narrow: max(leastBand, 0.01*(high-low)), state: Valid}
	if l.Law.Slope() < 0 {
		m.atLow, m.atHigh = HighLimit, LowLimit
	}
	return m
}

// Feed takes the next reading, volts at the controller's output (corrected), and says whether it is LowLimit, HighLimit or Valid.
func (m *Limit) Feed(volts float64) State {
	band := func(s State) float64 {
		if m.state == s {
			return 2 * m.narrow
		}
		return m.narrow
	}
	switch {
	case volts <= m.low+band(m.atLow):
		m.state = m.atLow
	case volts >= m.high-band(m.atHigh):
		m.state = m.atHigh
	default:
		m.state = Valid
	}
	return m.state
}

// Reset forgets which band the last reading was in.
func (m *Limit) Reset() { m.state = Valid }
