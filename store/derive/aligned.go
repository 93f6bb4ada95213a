package derive

import (
	"errors"
	"fmt"
	"time"

	"underdash/analog/mixture"
	"underdash/store"
)

// addAligned makes the channel of λ at the instants when the mixture was drawn in, if the engine's computer tells what it takes.
func (s *Session) addAligned(name string, w *wideband, bank int) {
	if !s.o.Aligned || !s.canAlign(bank) {
		return
	}
	d := s.delay(name)
	model := mixture.DelayModel{Cycle: d.Cycle, Gas: d.Gas, Lag: d.Lag}
	how := "by the default delay, since too little was seen to fit one"
	if d.Method != MethodDefault {
		how = fmt.Sprintf("by a delay fitted to %d steps and stretches", d.Seen)
	}
	w.aligned = s.addInput(Channel{Name: name + " lambda aligned", Unit: "1", Source: name, Kind: Aligned, Decimals: lambdaDecimals,
		Description: fmt.Sprintf("%s, λ at the instant when its mixture was drawn in, %s, known to ±%.0f ms", name, how, 2000*d.Sigma)})
	w.known = seconds(2 * d.Sigma)
	s.listeners = append(s.listeners, listener{bank, func(at time.Duration, q mixture.Quantity, v float64) { w.aligner.Engine(at, q, v) }})
	s.late = mixture.MaxDelay
	reset := func() { w.aligner = mixture.NewAligner(model) }
	reset()
	s.resets = append(s.resets, reset)
}

// canAlign tells whether engine speed and a flow are told.
func (s *Session) canAlign(bank int) bool {
	var told [2]bool
	for _, h := range s.engine {
		switch q, ok := Quantity(h.pid, h.index, h.context, bank); {
		case !ok:
		case q == mixture.EngineSpeed:
			told[0] = true
		case q == mixture.AirFlow, q == mixture.ManifoldPressure:
			told[1] = true
		}
	}
	return told[0] && told[1]
}

// MethodDefault is the Method of a Delay that nothing was fitted for.
const MethodDefault = "default"

// MethodFitted is the Method of a Delay that was fitted to drives.
const MethodFitted = "fitted"

// delay is the one in force for an input: the option's, the session's last, or the default.
func (s *Session) delay(input string) store.Delay {
	if d, ok := s.o.Delays[input]; ok {
		return d
	}
	found := StoreDelay(input, 0, mixture.UnfittedDelay())
	for _, d := range s.meta.Delays {
		if d.Input == input {
			found = d
		}
	}
	return found
}

// StoreDelay is a fit of the delay as a session keeps it.
func StoreDelay(input string, at time.Duration, f mixture.DelayFit) store.Delay {
	d := store.Delay{Input: input, At: at, Cycle: f.Model.Cycle, Gas: f.Model.Gas, Lag: f.Model.Lag, Sigma: f.Sigma, Seen: f.Seen, Method: MethodDefault}
	if f.Fitted {
		d.Method = MethodFitted
	}
	return d
}

// StoreLevel is a known level as a session keeps it.
func StoreLevel(l mixture.Level) store.Level {
	return store.Level{Kind: string(l.Kind), Known: l.Known, Seen: l.Seen, Random: l.Random, Tolerance: l.Tolerance, ClosedLoop: l.ClosedLoop}
}

// Level is a kept level again.
func Level(l store.Level) mixture.Level {
	return mixture.Level{Kind: mixture.Kind(l.Kind), Known: l.Known, Seen: l.Seen, Random: l.Random, Tolerance: l.Tolerance, ClosedLoop: l.ClosedLoop}
}

// StoreReference is a level that a drive showed as a session keeps it.
func StoreReference(input string, o mixture.Observed) store.Reference {
	r := store.Reference{Input: input, At: o.At, Length: o.Length, Level: StoreLevel(o.Level)}
	r.Sigma = o.Sigma
	return r
}

// align appends the value of a λ at the instant when its mixture was drawn in.
func (w *wideband) align(v Value, into []Value) []Value {
	if w.aligner == nil {
		return into
	}
	delay, ok := w.aligner.Delay(v.At)
	if !ok {
		return into
	}
	v.At, v.Half, v.Channel = v.At-delay, v.Half+w.known, w.aligned
	return append(into, v)
}

func isBlockError(err error) bool {
	var damage *store.BlockError
	return errors.As(err, &damage)
}
