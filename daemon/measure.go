package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"underdash/analog"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
)

// ErrInput is wrapped by what Measure says of an input that is none.
var ErrInput = errors.New("no such analog input")

// Inputs are the configured analog inputs. What it returns must not be changed.
func (d *Daemon) Inputs() []config.Analog { return d.cfg.Analog }

// Measure watches an input for a while, as calibration.Measure does, by the readings that the daemon takes anyway: nothing
// of the recording waits for it, and a converter's buffer needs no second reader. The error wraps ErrInput for a name that
// no input has.
func (d *Daemon) Measure(ctx context.Context, name string, length time.Duration) (calibration.Seen, error) {
	var names []string
	for i, in := range d.inputs {
		names = append(names, in.cfg.Name)
		if in.cfg.Name != name {
			continue
		}
		t, ok := in.taps.open()
		if !ok {
			return calibration.Seen{}, fmt.Errorf("%s gives no readings at the moment: %s", name, d.whyNot(name))
		}
		return calibration.Measure(ctx, t, d.cfg.Analog[i], length)
	}
	return calibration.Seen{}, fmt.Errorf("%w: %q; there is %s", ErrInput, name, strings.Join(names, ", "))
}

// whyNot is what a part says of itself.
func (d *Daemon) whyNot(part string) string {
	for _, p := range d.health.Parts() {
		if p.Name == part && p.Why != "" {
			return p.Why
		}
	}
	return "it has not been opened yet"
}

// taps let others hear the readings of an input. The zero value is ready.
type taps struct {
	mu        sync.Mutex
	converter Converter // nil while there is none
	closed    chan struct{}
	heard     map[*tap]func(analog.Reading)
}

// connect says which converter the readings come from, until the function that it returns is called.
func (t *taps) connect(c Converter) (disconnect func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	closed := make(chan struct{})
	t.converter, t.closed = c, closed
	return func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		t.converter = nil
		close(closed)
	}
}

// hear passes a reading on.
func (t *taps) hear(r analog.Reading) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, f := range t.heard {
		f(r)
	}
}

// open gives a source of the readings from now on; not ok while there is no converter.
func (t *taps) open() (*tap, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.converter == nil {
		return nil, false
	}
	out := &tap{taps: t, closed: t.closed, scale: t.converter.Scale(), offset: t.converter.Offset(), period: t.converter.Period()}
	if r, ok := t.converter.(coded); ok {
		out.low, out.high, out.known = r.Range()
	}
	return out, true
}

// coded is a converter that knows its codes.
type coded interface {
	Range() (low, high int32, ok bool)
}

// tap is a converter as somebody sees it who hears its readings only. It is an analog.Source.
type tap struct {
	taps          *taps
	closed        chan struct{}
	scale, offset float64
	period        time.Duration
	low, high     int32
	known         bool
}

var errTapped = errors.New("the converter failed meanwhile: measure again")

// Run passes readings on until ctx ends or the converter fails.
func (t *tap) Run(ctx context.Context, emit func(analog.Reading)) error {
	t.taps.mu.Lock()
	if t.taps.heard == nil {
		t.taps.heard = make(map[*tap]func(analog.Reading))
	}
	t.taps.heard[t] = emit
	t.taps.mu.Unlock()
	defer func() {
		t.taps.mu.Lock()
		delete(t.taps.heard, t)
		t.taps.mu.Unlock()
	}()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.closed:
		return errTapped
	}
}

// Read is not to be used: readings come from Run.
func (t *tap) Read() (int32, error) { return 0, analog.ErrNotReady }

// Period is the converter's.
func (t *tap) Period() time.Duration { return t.period }

// Close does nothing: the converter is the input's.
func (t *tap) Close() error { return nil }

// Scale is the converter's.
func (t *tap) Scale() float64 { return t.scale }

// Offset is the converter's.
func (t *tap) Offset() float64 { return t.offset }

// Range is the converter's.
func (t *tap) Range() (low, high int32, ok bool) { return t.low, t.high, t.known }
