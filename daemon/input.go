package daemon

import (
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/channel"
	"underdash/daemon/config"
	"underdash/store"
)

// input is one configured analog input while the daemon runs. It is used by its source's goroutine only.
type input struct {
	cfg     config.Analog
	number  uint16
	numbers map[store.AnalogChannel]uint16
	chain   mixture.Input
	tracker *mixture.Tracker // nil for inputs that are no wideband
	heating bool             // the last reading was one of the warm-up level
	thrown  *thrown          // nil for inputs that are no switch
}

func newInput(a config.Analog) *input {
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

// connect gives the input its channel. A converter that comes back with another scale gets another channel: codes
// of two scales never share one.
func (in *input) connect(c Converter, table *channel.Table) uint16 {
	in.chain = mixture.Input{ScaleMillivolts: c.Scale(), OffsetCodes: c.Offset(), Divider: in.cfg.Divider}
	ch := store.AnalogChannel{
		Kind: in.cfg.Kind, Unit: in.cfg.Unit, Rate: in.cfg.Rate,
		ScaleMillivolts: c.Scale(), OffsetCodes: c.Offset(), Divider: in.cfg.Divider,
		Low:  store.Point{Volts: in.cfg.Low.Volts, Value: in.cfg.Low.Value},
		High: store.Point{Volts: in.cfg.High.Volts, Value: in.cfg.High.Value},
	}
	number, known := in.numbers[ch]
	if !known {
		kept := ch
		if in.cfg.Warmup != nil {
			volts := *in.cfg.Warmup
			kept.WarmupVolts = &volts
		}
		number = table.AddAnalog(in.cfg.Name, kept)
		in.numbers[ch] = number
	}
	in.number = number
	return number
}

// judge says what a reading is: its flags, whether it is a valid mixture, and, when the controller has just left its
// warm-up level, what was seen of that level.
func (in *input) judge(at time.Duration, code int32) (flags store.Flags, valid bool, level *store.Level) {
	if in.tracker == nil {
		return 0, false, nil
	}
	heating := false
	switch in.tracker.Feed(at, in.chain.Volts(code)) {
	case mixture.Valid:
		valid = true
	case mixture.LowLimit, mixture.HighLimit:
		flags = store.AtLimit
	default:
		flags, heating = store.Warming, true
	}
	if in.heating && !heating {
		if known, seen, sigma, _, ok := in.tracker.Level(); ok {
			level = &store.Level{Known: known, Seen: seen, Sigma: sigma, Kind: MethodWarmup}
		}
	}
	in.heating = heating
	return flags, valid, level
}
