package derive

import (
	"math"
	"time"

	"underdash/analog/mixture"
	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// Quantity tells which of the quantities that bear on a mixture a signal of a parameter is, for a wideband in the exhaust of
// that bank (1 or 2); not ok for any other. c is the context of the engine computer that answers.
func Quantity(p obd.PID, index int, c pid.Context, bank int) (q mixture.Quantity, ok bool) {
	signal, ok := c.Signal(p, index)
	if !ok {
		return 0, false
	}
	q, ok = quantityNames[signal.Acronym]
	if bank == 2 {
		switch signal.Acronym {
		case "SHRTFT1", "LONGFT1", "LAMBDA11":
			return 0, false
		case fuelSystem2:
			return mixture.FuelStatus, true
		case "SHRTFT2":
			return mixture.ShortTrim, true
		case "LONGFT2":
			return mixture.LongTrim, true
		case "LAMBDA21":
			return mixture.OwnLambda, true
		}
	}
	return q, ok
}

// Told is Quantity for a value that was told: not ok, too, for one that says nothing. A car with one fuel system tells 0 of the second
// (SAE J1979, as published widely), and then the first, which is told ahead of it, is bank 2's as well.
func Told(p obd.PID, index int, c pid.Context, bank int, value float64) (q mixture.Quantity, ok bool) {
	q, ok = Quantity(p, index, c, bank)
	if signal, known := c.Signal(p, index); known && signal.Acronym == fuelSystem2 && value == 0 {
		return 0, false
	}
	return q, ok
}

// fuelSystem2 is the acronym of the second fuel system's status (03).
const fuelSystem2 = "FUELSYS2"

// quantityNames are the acronyms of SAE J1979 by which the parameter table knows the quantities, for bank 1. Of two parameters that
// tell one quantity, a car mostly has one, and both say the same.
var quantityNames = map[string]mixture.Quantity{
	"RPM": mixture.EngineSpeed, "VSS": mixture.VehicleSpeed, "ECT": mixture.Coolant, "IAT": mixture.IntakeAir, "RUNTM": mixture.RunTime,
	"FUELSYS1": mixture.FuelStatus, "LOAD_PCT": mixture.EngineLoad, "MAP": mixture.ManifoldPressure, "MAP_A": mixture.ManifoldPressure,
	"TP": mixture.Throttle, "SHRTFT1": mixture.ShortTrim, "LONGFT1": mixture.LongTrim, "LAMBDA": mixture.CommandedLambda,
	"LAMBDA11": mixture.OwnLambda, "MAF": mixture.AirFlow, "MAFA": mixture.AirFlow,
}

// ethanol is the acronym of the share of ethanol in the fuel (52), percent.
const ethanol = "ALCH_PCT"

// heard is a derived channel of the engine's computer that others build upon.
type heard struct {
	pid     obd.PID
	index   int
	context pid.Context
}

// hears notes that the channel at a place is a signal of the engine's computer.
func (s *Session) hears(place int, p *payload, index int) {
	if s.engine == nil {
		s.engine = make(map[int]heard)
	}
	s.engine[place] = heard{p.pid, index, p.context}
}

// tell passes a value of the engine's computer on to those that build upon it.
func (s *Session) tell(v Value) {
	h, ok := s.engine[v.Channel]
	if !ok || math.IsNaN(v.Number) {
		return
	}
	if signal, _ := h.context.Signal(h.pid, h.index); signal.Acronym == ethanol {
		s.ethanol = v.Number
	}
	for _, l := range s.listeners {
		if q, ok := Told(h.pid, h.index, h.context, l.bank, v.Number); ok {
			l.tell(v.At, q, v.Number)
		}
	}
}

// listener is told what the engine's computer says, as it concerns one bank.
type listener struct {
	bank int
	tell func(at time.Duration, q mixture.Quantity, value float64)
}

// Observe goes through the session and returns what the drive shows of a wideband input by itself: the observer that it was
// fed to, as while recording. Errors are the first that concerns more than some blocks; nil if there is no such input.
func (s *Session) Observe(input string) (*mixture.Observer, error) {
	k, ok := s.analog[input]
	if !ok || k.Channel.Kind != "wideband" {
		return nil, nil
	}
	levels := Levels(k.Channel)
	o, tracker := mixture.NewObserver(levels), mixture.NewTracker(levels)
	o.Converter(ends(k.Channel))
	before := s.listeners
	s.listeners = append(before[:len(before):len(before)], listener{k.Channel.Bank, o.Engine})
	defer func() { s.listeners = before }()
	heating := false
	for values, err := range s.readValues() {
		if err != nil && !isBlockError(err) {
			return o, err
		}
		for _, v := range values {
			c := s.channels[v.Channel]
			if c.Kind != Volts || c.Source != input {
				continue
			}
			if burning, known := o.Burning(); known {
				tracker.Engine(v.At, burning)
			}
			warm := tracker.Feed(v.At, v.Number) == mixture.Warming
			if heating && !warm {
				if known, seen, sigma, n, ok := tracker.Level(); ok {
					o.Warmup(v.At, known, seen, sigma, n)
				}
			}
			heating = warm
			o.Reading(v.At, v.Number, stateOf(v.State))
		}
	}
	o.Finish()
	return o, nil
}

// stateOf is the tracker's state that a value's state tells.
func stateOf(text string) mixture.State {
	switch text {
	case "":
		return mixture.Valid
	case Warming:
		return mixture.Warming
	case LowLimit:
		return mixture.LowLimit
	case HighLimit:
		return mixture.HighLimit
	case Fault:
		return mixture.Fault
	case Disconnected:
		return mixture.Disconnected
	case Stuck:
		return mixture.Stuck
	}
	return mixture.Unknown
}

// Levels is what is known beforehand of the controller behind a wideband channel.
func Levels(a store.AnalogChannel) mixture.Levels {
	l := mixture.Levels{Law: law(a)}
	if a.WarmupVolts != nil {
		l.WarmupVolts, l.HasWarmup = *a.WarmupVolts, true
	}
	if a.FaultVolts != nil {
		l.FaultVolts, l.HasFault = *a.FaultVolts, true
	}
	if a.TopVolts != nil {
		l.TopVolts, l.HasTop = *a.TopVolts, true
	}
	return l
}

// ends are the volts at the plug beyond which the channel's converter reads nothing, as it was when it was opened last.
func ends(a store.AnalogChannel) mixture.Ends {
	in := mixture.Input{ScaleMillivolts: a.ScaleMillivolts, OffsetCodes: a.OffsetCodes, Divider: a.Divider}
	if a.HighCode <= a.LowCode {
		return mixture.Ends{}
	}
	return mixture.Ends{Low: in.Volts(a.LowCode), High: in.Volts(a.HighCode)}
}

func law(a store.AnalogChannel) mixture.Law {
	return mixture.Law{
		Low:  mixture.Point{Volts: a.Low.Volts, Lambda: a.Low.Value},
		High: mixture.Point{Volts: a.High.Volts, Lambda: a.High.Value},
	}
}
