package mixture

// Levels are what is known beforehand of a controller's output.
type Levels struct {
	Law         Law
	WarmupVolts float64 // what the controller puts out while it heats its sensor
	HasWarmup   bool    // false: the controller has no such level, and WarmupVolts means nothing
	FaultVolts  float64 // what it puts out to report a fault; outside the law's volts
	HasFault    bool    // false: no such level is known, and FaultVolts means nothing
	TopVolts    float64 // what it puts out for air, as in a fuel cut, where that is not the law's own end
	HasTop      bool    // false: its output ends where the law does
}

// Top is the output in volts at which the controller stops following a mixture that gets leaner.
func (l Levels) Top() float64 {
	if l.HasTop {
		return l.TopVolts
	}
	if l.Law.Slope() < 0 {
		return min(l.Law.Low.Volts, l.Law.High.Volts)
	}
	return max(l.Law.Low.Volts, l.Law.High.Volts)
}

// span gives the lowest and the highest volts that the output follows a mixture to.
func (l Levels) span() (low, high float64) {
	low, high = l.Law.span()
	switch {
	case !l.HasTop:
	case l.Law.Slope() < 0:
		low = l.TopVolts
	default:
		high = l.TopVolts
	}
	return low, high
}

// State says what a reading of a wideband input means.
type State uint8

const (
	// Unknown is a reading before it was decided whether the controller is warming up.
	Unknown State = iota
	// Warming is a reading of the fixed warm-up level, or one so near to its end that it may still be.
	Warming
	// Valid is a reading that means a λ.
	Valid
	// LowLimit is a reading at or beyond the scale's end of lowest λ: the mixture is there or richer.
	LowLimit
	// HighLimit is a reading at or beyond the scale's end of highest λ: the mixture is there or leaner, as in a fuel cut.
	HighLimit
	// Fault is a reading of the level by which the controller reports a fault, or one off its scale by more than a chain explains.
	Fault
	// Disconnected is a reading of an input that nothing drives: it floats, is shorted to ground, or its controller has no power.
	Disconnected
	// Stuck is a reading of a converter that has delivered one and the same code for too long to be believed.
	Stuck
)

// String is the state in lower-case words: "unknown", "warming", "valid", "low limit", "high limit", "fault", "disconnected",
// "stuck".
func (s State) String() string {
	switch s {
	case Warming:
		return "warming"
	case Valid:
		return "valid"
	case LowLimit:
		return "low limit"
	case HighLimit:
		return "high limit"
	case Fault:
		return "fault"
	case Disconnected:
		return "disconnected"
	case Stuck:
		return "stuck"
	}
	return "unknown"
}
