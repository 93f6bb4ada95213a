package mixture

import "time"

// Quantity is something that the engine's computer says and that bears on the mixture.
type Quantity uint8

// The quantities, with the parameter of SAE J1979 that tells each.
const (
	EngineSpeed      Quantity = iota // 1/min (0C)
	VehicleSpeed                     // km/h (0D)
	Coolant                          // °C (05)
	IntakeAir                        // °C (0F)
	RunTime                          // s since the engine started (1F)
	FuelStatus                       // as a number: 1 open loop, cold; 2 closed loop; 4 open loop by load or fuel cut; 8, 16 faults (03)
	EngineLoad                       // percent, calculated (04) or absolute (43)
	ManifoldPressure                 // kPa absolute (0B)
	Throttle                         // percent (11)
	ShortTrim                        // percent, of the wideband's bank (06, 08)
	LongTrim                         // percent, of the wideband's bank (07, 09)
	CommandedLambda                  // (44)
	OwnLambda                        // of the car's wide-range sensor ahead of the catalyst, in the wideband's bank (24 to 2B, 34 to 3B)
	AirFlow                          // g/s (10)
	quantities
)

// said is a value and when it was true.
type said struct {
	at    time.Duration
	value float64
}

// memory is how many values of a quantity are kept: enough for the time by which readings are held back.
const memory = 64

// history keeps a quantity's newest values.
type history struct {
	ring [memory]said
	n    int // ever
}

func (h *history) add(s said) {
	if h.n > 0 && s.at < h.ring[(h.n-1)%memory].at {
		return // out of order: what is newer holds
	}
	h.ring[h.n%memory] = s
	h.n++
}

// before is the newest value that was true at t or earlier.
func (h *history) before(t time.Duration) (said, bool) {
	for i := h.n - 1; i >= 0 && i >= h.n-memory; i-- {
		if s := h.ring[i%memory]; s.at <= t {
			return s, true
		}
	}
	return said{}, false
}

// situation is what the engine's computer said last before an instant.
type situation struct {
	at    time.Duration
	is    [quantities]float64
	since [quantities]time.Duration // when it was true
	known [quantities]bool
}

// get is a quantity if it is known and not too old.
func (s *situation) get(q Quantity) (float64, bool) {
	if !s.known[q] || s.at-s.since[q] > oldest(q) {
		return 0, false
	}
	return s.is[q], true
}

// fresh is how old a value may be of what moves fast.
const fresh = 2500 * time.Millisecond

// oldest is how old a value may be (common practice, no source): a slow adapter asks for what moves slowly every few seconds,
// and for what hardly moves a few times a minute.
func oldest(q Quantity) time.Duration {
	switch q {
	case VehicleSpeed, FuelStatus, EngineLoad, CommandedLambda:
		return 6 * time.Second
	case Coolant, IntakeAir, RunTime, LongTrim:
		return time.Minute
	}
	return fresh
}

// burning tells whether fuel is burnt: the engine runs and is not in a fuel cut. It is not known without speed and fuel status.
func (s *situation) burning() (yes, known bool) {
	rpm, ok := s.get(EngineSpeed)
	if ok && rpm < runningSpeed {
		return false, true
	}
	status, ok2 := s.get(FuelStatus)
	if !ok || !ok2 {
		return false, false
	}
	switch status {
	case 1, 2, 8, 16:
		return true, true
	case 4:
		if cut, known := s.cut(); known {
			return !cut, true
		}
	}
	return false, false
}

// Speeds and loads that tell driving states apart (common practice, no source).
const (
	runningSpeed  = 400.0 // 1/min: the engine runs by itself
	cutSpeed      = 1000  // 1/min: below it no fuel is cut
	cutPressure   = 45.0  // kPa: more is no overrun
	cutLoad       = 25.0  // percent
	ownLeanEnd    = 1.98  // λ told by the engine's computer at the end of its range: air
	richCommanded = 0.97
)

// cut tells whether the fuel is cut. Fuel status 4 means load or fuel cut, so it takes load, pressure or the car's own sensor to
// tell; it is not known without one of them.
func (s *situation) cut() (yes, known bool) {
	rpm, ok := s.get(EngineSpeed)
	if !ok {
		return false, false
	}
	if rpm < cutSpeed {
		return false, true
	}
	own, hasOwn := s.get(OwnLambda)
	status, hasStatus := s.get(FuelStatus)
	if hasStatus && status != 4 {
		return false, true
	}
	if c, ok := s.get(CommandedLambda); ok && c < richCommanded {
		return false, true
	}
	low, hasLow := s.overrun()
	if !hasStatus {
		return hasOwn && own >= ownLeanEnd && (low || !hasLow), hasOwn
	}
	if hasLow {
		return low, true
	}
	return hasOwn && own >= ownLeanEnd, hasOwn
}

// overrun tells whether the engine takes in as little air as with the throttle shut.
func (s *situation) overrun() (yes, known bool) {
	if kPa, ok := s.get(ManifoldPressure); ok {
		return kPa <= cutPressure, true
	}
	load, ok := s.get(EngineLoad)
	return load <= cutLoad, ok
}
