package derive

import (
	"fmt"
	"math"
	"slices"
	"time"

	"underdash/analog/mixture"
	"underdash/store"
)

// The decimals of a wideband's quantities: finer than any converter or controller in use.
const (
	voltsDecimals  = 4
	lambdaDecimals = 4
	afrDecimals    = 3
)

// addAnalog makes the derived channels of one analog input.
func (s *Session) addAnalog(number int, name string, a store.AnalogChannel) error {
	k := s.correction(name, a)
	law := law(a)
	if slope := law.Slope(); math.IsNaN(slope) || math.IsInf(slope, 0) || slope == 0 {
		return fmt.Errorf("its two points, %v V for %v and %v V for %v, make no line", a.Low.Volts, a.Low.Value, a.High.Volts, a.High.Value)
	}
	chain := mixture.Chain{Gain: k.Calibration.Gain, Offset: k.Calibration.Offset}
	input := mixture.Input{ScaleMillivolts: a.ScaleMillivolts, OffsetCodes: a.OffsetCodes, Divider: a.Divider}
	switch a.Kind {
	case "linear":
		place := s.addInput(Channel{Name: name, Unit: a.Unit, Source: name, Kind: Linear,
			Description: name + ", from the sensor's straight line", Decimals: decimals(law, input)})
		s.readings[number] = func(x store.Sample, into []Value) []Value {
			return append(into, Value{At: x.At, Half: x.Half, Channel: place, Number: law.Lambda(chain.True(input.Volts(int32(x.Code))))})
		}
	case "wideband":
		k.Fuel = s.fuel()
		w := &wideband{law: law, chain: chain, input: input, afrst: s.stoichiometric(k.Fuel), limit: mixture.NewLimit(Levels(a))}
		s.addWideband(number, name, w, k)
		s.addAligned(name, w, a.Bank)
	default:
		return fmt.Errorf("its kind is %q, this program reads \"wideband\" and \"linear\"", a.Kind)
	}
	s.analog[name] = k
	return nil
}

func (s *Session) addWideband(number int, name string, w *wideband, k *Correction) {
	fuel := k.Fuel
	w.volts = s.addInput(Channel{Name: name, Unit: "V", Source: name, Kind: Volts, Decimals: voltsDecimals,
		Description: name + ", volts at the plug as seen"})
	w.lambda = s.addInput(Channel{Name: name + " lambda", Unit: "1", Source: name, Kind: Lambda, Decimals: lambdaDecimals,
		Description: name + ", λ"})
	s.addUncertainty(name, w, k)
	if w.afrst != nil {
		times := fmt.Sprintf("λ times %.5g, %s", fuel.AFRst, fuel.Name)
		if fuel.Flex {
			times = fmt.Sprintf("λ times the ratio of petrol with as much ethanol as the engine computer tells, %.5g until it does", fuel.AFRst)
		}
		w.afr = s.addInput(Channel{Name: name + " AFR", Unit: "1", Source: name, Kind: AFR, Decimals: afrDecimals,
			Description: fmt.Sprintf("%s, air to fuel by mass: %s", name, times)})
	}
	s.readings[number] = w.read
	s.resets = append(s.resets, w.limit.Reset)
}

// addInput returns the derived channel of an analog input. An input that was found again with another scale has two
// stored channels, and one of these.
func (s *Session) addInput(c Channel) int {
	for i, have := range s.channels {
		if have.Name != c.Name {
			continue
		}
		if have.Kind == c.Kind && have.Source == c.Source {
			return i
		}
		c.Name += " (" + c.Source + ")" // called like a parameter of the car
		return s.addInput(c)
	}
	return s.addChannel(c)
}

// wideband reads one wideband controller's output.
type wideband struct {
	law                mixture.Law
	chain              mixture.Chain
	input              mixture.Input
	limit              *mixture.Limit
	afrst              func() float64 // nil for no AFR
	volts, lambda, afr int            // derived channels

	doubt *doubt // nil for no uncertainty

	aligner *mixture.Aligner // nil for no aligned λ
	aligned int
	known   time.Duration // half width of what an aligned instant may be wrong by
}

// read gives the volts always, and λ only where the output says something about the mixture. What the readings around it told
// when it was taken is in its flags; whether it lies at an end of the scale depends on the calibration that it is read by.
func (w *wideband) read(x store.Sample, into []Value) []Value {
	seen := w.input.Volts(int32(x.Code))
	volts := w.chain.True(seen)
	state := marked(x.Flags)
	if state == "" {
		state = limitText(w.limit.Feed(volts))
	}
	v := Value{At: x.At, Half: x.Half, Channel: w.volts, Number: seen, State: state}
	into = append(into, v)
	if state != "" {
		return into
	}
	lambda := w.law.Lambda(volts)
	v.Channel, v.Number = w.lambda, lambda
	into = append(into, v)
	if w.doubt != nil {
		v.Channel, v.Number = w.doubt.channel, w.doubt.at(x.At, lambda)
		into = append(into, v)
		v.Number = lambda
	}
	if w.afrst != nil {
		v.Channel, v.Number = w.afr, lambda*w.afrst()
		into = append(into, v)
		v.Number = lambda
	}
	return w.align(v, into)
}

// marked is the state that a reading's flags tell; empty if it was a plain one.
func marked(f store.Flags) string {
	switch {
	case f&store.Disconnected != 0:
		return Disconnected
	case f&store.Stuck != 0:
		return Stuck
	case f&store.Fault != 0:
		return Fault
	case f&store.Warming != 0:
		return Warming
	}
	return ""
}

func limitText(s mixture.State) string {
	switch s {
	case mixture.LowLimit:
		return LowLimit
	case mixture.HighLimit:
		return HighLimit
	}
	return ""
}

// correction is how an input is read: by the calibration that was applied for this session, else by the one that it carries.
func (s *Session) correction(name string, a store.AnalogChannel) *Correction {
	k := &Correction{Input: name, Channel: a, Calibration: inForce(name, s.meta, s.o.Calibrations)}
	if applied, ok := store.InForce(s.o.Calibrations, name, s.meta.Origin, s.meta.Number, a.Divider); ok {
		k.Calibration, k.Applied = applied.Calibration, &applied
	}
	if other, ok := store.OfNoUse(s.o.Calibrations, name, s.meta.Origin, s.meta.Number, a.Divider); ok {
		k.Other = &other
	}
	return k
}

// inForce is the calibration by which an input is read that none of the store's list is in force for: the session's last. What a
// drive shows about the wiring, at the latest when its warm-up ends, was true of the wiring from the drive's start. A session
// keeps a copy of the calibration that was applied when it was recorded, for readers that do not have the list. That counts
// more than what the drive found; for a reader that has the list it was withdrawn.
func inForce(input string, m store.Meta, list []store.Applied) store.Calibration {
	found := store.Calibration{Input: input, Gain: 1, Method: "none"}
	listed := slices.ContainsFunc(list, func(a store.Applied) bool { return a.Input == input && a.For(m.Origin) })
	for _, c := range m.Calibrations {
		applied := c.Method == store.MethodApplied
		if c.Input != input || applied && listed {
			continue
		}
		if was := found.Method == store.MethodApplied; applied && !was || applied == was && (found.Method == "none" || c.At >= found.At) {
			found = c
		}
	}
	return found
}

// fuel is the session's, with its ratio looked up by name where the session has none.
func (s *Session) fuel() store.Fuel {
	f := s.meta.Fuel
	if f.AFRst > 0 {
		return f
	}
	if known, err := mixture.FuelByName(f.Name); err == nil {
		f.AFRst = known.AFRst
	}
	return f
}

// stoichiometric is the ratio that λ is multiplied with now; nil if none is known.
func (s *Session) stoichiometric(f store.Fuel) func() float64 {
	if !(f.AFRst > 0) {
		return nil
	}
	if !f.Flex {
		return func() float64 { return f.AFRst }
	}
	percent, ratio := math.NaN(), f.AFRst
	return func() float64 {
		switch {
		case math.IsNaN(s.ethanol):
			return f.AFRst
		case s.ethanol != percent:
			percent, ratio = s.ethanol, mixture.EthanolBlend(s.ethanol).AFRst
		}
		return ratio
	}
}

// decimals is how many it takes to tell neighbouring codes apart, and one more.
func decimals(law mixture.Law, in mixture.Input) int {
	step := math.Abs(law.Slope() * (in.Volts(1) - in.Volts(0)))
	if !(step > 0) {
		return voltsDecimals
	}
	return min(9, max(0, int(math.Ceil(-math.Log10(step)))+1))
}
