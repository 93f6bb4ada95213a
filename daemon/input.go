package daemon

import (
	"errors"
	"strings"
	"sync/atomic"
	"time"

	"underdash/analog/iio"
	"underdash/analog/mixture"
	"underdash/daemon/channel"
	"underdash/daemon/config"
	"underdash/store"
)

// input is one configured analog input while the daemon runs. It is used by its source's goroutine only, but for use.
type input struct {
	cfg     config.Analog
	chosen  atomic.Pointer[mixture.Chain] // to be put in force before the next reading
	number  uint16
	numbers map[store.AnalogChannel]uint16
	chain   mixture.Input
	ends    mixture.Ends     // of the converter, at the plug
	tracker *mixture.Tracker // nil for inputs that are no wideband
	state   mixture.State    // of the last reading
	heating bool             // the last reading was one of the warm-up level
	thrown  *thrown          // nil for inputs that are no switch
	taps    taps
	said    string // what was logged of the converter
	told    string // what the board was told of the readings
}

// newInput prepares one of all inputs.
func newInput(a config.Analog, all []config.Analog) *input {
	for _, other := range all {
		if other.Name != a.Name && other.Device == a.Device && a.Mode == config.Auto {
			a.Mode = config.Poll // a buffer serves one input
		}
	}
	in := &input{cfg: a, numbers: make(map[store.AnalogChannel]uint16)}
	if a.Mark != nil {
		in.thrown = &thrown{Mark: *a.Mark}
	}
	if a.Kind == config.Wideband {
		in.tracker = mixture.NewTracker(a.Levels())
		if chain, ok := a.Chain(); ok {
			in.tracker.Use(chain)
		}
	}
	return in
}

// use puts a chain in force from the next reading on. It may be called from any goroutine.
func (in *input) use(c mixture.Chain) { in.chosen.Store(&c) }

// connect gives the input its channel. A converter that comes back with another scale gets another channel: codes
// of two scales never share one.
func (in *input) connect(c Converter, table *channel.Table) uint16 {
	in.chain = mixture.Input{ScaleMillivolts: c.Scale(), OffsetCodes: c.Offset(), Divider: in.cfg.PlugPerPin()}
	ch := store.AnalogChannel{
		Kind: in.cfg.Kind, Unit: in.cfg.Unit, Rate: in.cfg.Rate, Bank: in.cfg.Bank,
		ScaleMillivolts: in.chain.ScaleMillivolts, OffsetCodes: in.chain.OffsetCodes, Divider: in.chain.Divider,
		Low:  store.Point{Volts: in.cfg.Low.Volts, Value: in.cfg.Low.Value},
		High: store.Point{Volts: in.cfg.High.Volts, Value: in.cfg.High.Value},
	}
	in.ends = mixture.Ends{}
	if r, ok := c.(interface {
		Range() (low, high int32, ok bool)
	}); ok {
		if low, high, ok := r.Range(); ok {
			ch.LowCode, ch.HighCode = low, high
			in.ends = mixture.Ends{Low: in.chain.Volts(low), High: in.chain.Volts(high)}
		}
	}
	number, known := in.numbers[ch]
	if !known {
		kept := ch
		kept.WarmupVolts, kept.FaultVolts, kept.TopVolts = clone(in.cfg.Warmup), clone(in.cfg.Fault), clone(in.cfg.Top)
		number = table.AddAnalog(in.cfg.Name, kept)
		in.numbers[ch] = number
	}
	in.number = number
	return number
}

func clone(volts *float64) *float64 {
	if volts == nil {
		return nil
	}
	v := *volts
	return &v
}

// news is what is to be logged of a converter that was opened: what it says of itself and what is wrong with its range; empty if that
// was said before.
func (in *input) news(c Converter) (notice, fault string) {
	notice, fault = strings.Join(notes(c), "; "), outOfRange(c, in.cfg)
	if all := notice + "\n" + fault; all != in.said {
		in.said = all
		return notice, fault
	}
	return "", ""
}

// failed looks at why the converter failed. A buffer through which nothing comes is not tried again where polling will do.
func (in *input) failed(err error) {
	in.told = ""
	if in.cfg.Mode != config.Buffer && errors.Is(err, iio.ErrNoBuffer) {
		in.cfg.Mode = config.Poll
	}
}

// judge says what a reading is: its flags, whether it is a valid mixture, and, when the controller has just left its
// warm-up level, what was seen of that level.
func (in *input) judge(at time.Duration, code int32) (flags store.Flags, valid bool, left *warmup) {
	if in.tracker == nil {
		return 0, false, nil
	}
	if chain := in.chosen.Swap(nil); chain != nil {
		in.tracker.Use(*chain)
	}
	in.state = in.tracker.Feed(at, in.chain.Volts(code))
	heating := false
	switch in.state {
	case mixture.Valid:
		valid = true
	case mixture.LowLimit, mixture.HighLimit:
		flags = store.AtLimit
	case mixture.Fault:
		flags = store.Fault
	case mixture.Disconnected:
		flags = store.Disconnected
	case mixture.Stuck:
		flags = store.Stuck
	default:
		flags, heating = store.Warming, true
	}
	if in.heating && !heating {
		if known, seen, sigma, n, ok := in.tracker.Level(); ok {
			left = &warmup{known, seen, sigma, n}
		}
	}
	in.heating = heating
	return flags, valid, left
}

// trouble is what is wrong with an input whose converter works, by its last reading; empty if nothing is.
func (in *input) trouble() string {
	switch in.state {
	case mixture.Fault:
		return "the controller reports a fault, or puts out what is not on its scale: look at its own display and at the wiring"
	case mixture.Disconnected:
		return "nothing drives the input: is the plug in, and does the controller have power?"
	case mixture.Stuck:
		return "the converter gives one and the same code: it hangs, or its input is tied to a fixed voltage"
	}
	return ""
}
