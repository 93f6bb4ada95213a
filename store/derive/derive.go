// Package derive reads a session as people read it: OBD payloads become the quantities of the parameter table, an
// analog input's codes become volts, λ and AFR or the sensor's own unit, by the calibration that the session carries.
// It is the one place where what is stored meets what it means; nothing it yields is stored anywhere.
package derive

import (
	"fmt"
	"iter"
	"math"
	"time"

	"underdash/store"
)

// Source is a stored session, such as a *store.Reader.
type Source interface {
	Meta() store.Meta
	Samples() iter.Seq2[store.Sample, error]
}

// Kind says what sort of quantity a channel is.
type Kind uint8

// The kinds of channels.
const (
	OBD               Kind = iota // measured by an engine computer
	Status                        // a state, bitmap or code told by an engine computer: Number is the raw one, Text its meaning
	Volts                         // of a wideband input at the plug, as seen, without any correction
	Lambda                        // of a wideband input, corrected
	AFR                           // Lambda times the fuel's stoichiometric ratio
	Linear                        // a linear input in the sensor's unit, corrected
	Aligned                       // Lambda at the instants when the mixture was drawn in
	LambdaUncertainty             // what Lambda may be wrong by: half of a band that holds 95 %
)

// Channel is one derived quantity.
type Channel struct {
	Name        string // unique in the session: "RPM", "VSS@7E9", "wideband", "wideband lambda", "wideband AFR"
	Description string // in words
	Unit        string // "1/min"; "1" for ratios, empty for a Status
	Source      string // where it was read: "01 0C from 7E8", or the analog input's name
	Kind        Kind
	Decimals    int    // that are worth showing; -1 for as many as it takes to be exact
	Note        string // how the car's word on full scales and sensors' places was taken; empty where it has none
}

// Value is one derived reading.
type Value struct {
	At, Half time.Duration // instant on the session's clock, and the half width of the span it may be wrong by
	Channel  int           // place in Channels
	Number   float64       // in the channel's unit; NaN if State is NotAvailable or UnknownScale
	State    string        // empty for a plain measurement
	Text     string        // what a Status means in words
}

// The states of a Value. Readings of a wideband with one of all but the last two have volts and no λ.
const (
	Warming      = "warming"       // the controller puts out its warm-up level, or may still do
	LowLimit     = "low limit"     // the mixture is at the scale's richest λ or richer
	HighLimit    = "high limit"    // at the scale's leanest λ or leaner
	Fault        = "fault"         // the controller reports a fault, or is off its scale
	Disconnected = "disconnected"  // nothing drives the input: floating, shorted, or the controller without power
	Stuck        = "stuck"         // the converter delivers one and the same code
	NotAvailable = "not available" // the engine computer had no measurement
	Saturated    = "saturated"     // λ told by an engine computer at the end of its range: there or leaner
	UnknownScale = "unknown scale" // the full scale is the car's to tell and is not known; see Channel.Note
)

// Session is a session as quantities.
type Session struct {
	source   Source
	o        Options
	meta     store.Meta
	channels []Channel
	readings []reading // by the store's channel number; nil for what cannot be derived
	resets   []func()
	analog   map[string]*Correction

	engine    map[int]heard // channels of the engine's computer, by place
	listeners []listener
	ethanol   float64       // percent in the fuel, as told last; NaN before
	late      time.Duration // how long after others of its instant a value may come
}

// reading turns one sample into the values it means, appended to into.
type reading func(s store.Sample, into []Value) []Value

// Correction is how an analog input's volts are read.
type Correction struct {
	Input       string
	Channel     store.AnalogChannel
	Calibration store.Calibration // in force; the zero value, with Method "none", if none was found
	Applied     *store.Applied    // where the calibration came from, if from the store's list; nil: the session's own
	Other       *store.Applied    // applied for the session, too, and of no use: measured through another divider than it was recorded with
	Fuel        store.Fuel        // behind the AFR; AFRst is 0 if there is none
}

// The least and the greatest Options.Rate that is of use, values a second.
const LeastRate, MostRate = 0.1, 1000.0

// Options say how a session is read. The zero value reads it by what it carries itself.
type Options struct {
	// Calibrations are those that were applied for the session's store; where one is in force for the session, it holds
	// instead of the session's own.
	Calibrations []store.Applied
	// Rate is how many values a second an analog input is averaged to, single-sample spikes dropped. 0 gives every reading.
	Rate float64
	// Aligned adds λ at the instants when its mixture was drawn in, beside the plain one, where the engine's computer tells
	// its speed and its air flow or manifold pressure.
	Aligned bool
	// Uncertainty adds, beside each λ, what it may be wrong by.
	Uncertainty bool
	// Delays are the models of the way to the sensor by input, instead of the session's own.
	Delays map[string]store.Delay
}

// New prepares a session for reading by what it carries itself.
func New(source Source) (*Session, error) { return NewWith(source, Options{}) }

// NewWith prepares a session for reading. It fails only for a description that contradicts itself. Stored channels whose
// parameter is not in the table, or whose payload has not the parameter's length, have no derived channel: their
// bytes stay in the session.
//
// Where the car leaves open how its commanded λ is to be read, NewWith looks for a warm closed loop among the readings, and
// reads as much of the session as that takes; see scaleOfCommand.
func NewWith(source Source, o Options) (*Session, error) {
	s := &Session{source: source, o: o, meta: source.Meta(), analog: make(map[string]*Correction), ethanol: math.NaN()}
	s.readings = make([]reading, len(s.meta.Channels))
	if err := s.addOBD(); err != nil {
		return nil, err
	}
	for i, c := range s.meta.Channels {
		if c.Analog == nil {
			continue
		}
		if err := s.addAnalog(i, c.Name, *c.Analog); err != nil {
			return nil, fmt.Errorf("channel %q: %w", c.Name, err)
		}
	}
	if o.Rate > 0 {
		s.describeFilter()
	}
	return s, nil
}

// Meta is the session's description.
func (s *Session) Meta() store.Meta { return s.meta }

// Channels are the session's quantities: those of the engine computers by address and parameter, the engine's first,
// then the analog inputs. What it returns must not be changed.
func (s *Session) Channels() []Channel { return s.channels }

// Correction says how the analog input of that name is read.
func (s *Session) Correction(input string) (Correction, bool) {
	c, ok := s.analog[input]
	if !ok {
		return Correction{}, false
	}
	return *c, true
}

// Values yields every derived reading in the order of instants, and of half widths where instants are equal. Readings
// that were stored more than Window late come late here too. With Options.Rate the analog inputs come filtered. Errors are
// those of the Source, and like there a *store.BlockError does not end the iteration. Only one iteration may run at a time.
func (s *Session) Values() iter.Seq2[Value, error] {
	if s.o.Rate > 0 {
		return func(yield func(Value, error) bool) { newFilter(s, s.o.Rate).filtered(s.readValues())(yield) }
	}
	if s.late > 0 {
		return s.merged(s.readValues())
	}
	return func(yield func(Value, error) bool) {
		for values, err := range s.readValues() {
			if err != nil && !yield(Value{}, err) {
				return
			}
			for _, v := range values {
				if !yield(v, nil) {
					return
				}
			}
		}
	}
}

// readValues yields the values of one reading after the other. What it yields is valid until the next.
func (s *Session) readValues() iter.Seq2[[]Value, error] {
	return func(yield func([]Value, error) bool) {
		for _, reset := range s.resets {
			reset()
		}
		s.ethanol = math.NaN()
		var values []Value
		for sample, err := range inOrder(s.source.Samples()) {
			if err == nil && int(sample.Channel) >= len(s.readings) {
				err = fmt.Errorf("a reading of channel %d, the session has %d channels", sample.Channel, len(s.readings))
			}
			if err != nil {
				if !yield(nil, err) {
					return
				}
				continue
			}
			if read := s.readings[sample.Channel]; read != nil {
				values = read(sample, values[:0])
				for _, v := range values {
					s.tell(v)
				}
				if !yield(values, nil) {
					return
				}
			}
		}
	}
}

func (s *Session) addChannel(c Channel) int {
	s.channels = append(s.channels, c)
	return len(s.channels) - 1
}
