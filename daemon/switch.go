package daemon

import (
	"errors"
	"log/slog"
	"time"

	"underdash/daemon/config"
	"underdash/daemon/session"
)

// How far a switch's volts must come back, and for how long they must be there, before it can be thrown again: contacts
// bounce for some milliseconds (common practice, no source).
const (
	switchHysteresis = 0.1 // volts
	switchRest       = 50 * time.Millisecond
)

// thrown is a switch on an analog input. It is used by its input's goroutine only.
type thrown struct {
	config.Mark
	on    bool
	seen  bool          // a reading was taken
	since time.Duration // when the volts came back, while on
	back  bool          // they did
}

// feed takes in a reading, and tells whether the switch was thrown by it. One that is thrown from the beginning was
// not thrown.
func (s *thrown) feed(at time.Duration, volts float64) bool {
	beyond := volts - s.Volts
	if !s.Above {
		beyond = -beyond
	}
	first := !s.seen
	s.seen = true
	switch {
	case beyond > 0:
		was := s.on
		s.on, s.back = true, false
		return !was && !first
	case !s.on || beyond > -switchHysteresis:
		s.back = false
	case !s.back:
		s.back, s.since = true, at
	case at-s.since >= switchRest:
		s.on, s.back = false, false
	}
	return false
}

// watchSwitch puts a mark into the session when an input's switch is thrown.
func (d *Daemon) watchSwitch(in *input, at time.Duration, volts float64) {
	if in.thrown == nil || !in.thrown.feed(at, volts) {
		return
	}
	err := d.recorder.Mark(at, in.cfg.Name, in.thrown.Text)
	if errors.Is(err, session.ErrNoDrive) {
		return // nothing to mark: the engine does not run
	}
	d.o.Log.Info("a mark", "text", in.thrown.Text, slog.String("by", in.cfg.Name))
}
