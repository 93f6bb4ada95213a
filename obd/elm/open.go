package elm

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

const (
	// quiet is how long input is thrown away around the first command: what an earlier program left behind.
	quiet = 100 * time.Millisecond
	// syncTries is how often the adapter is called before it counts as none. The first call may only wake it.
	syncTries = 3
	// waking is how long an adapter takes from its low-power mode to its prompt (about 1 s; data sheet, rev. DSJ).
	waking = 1500 * time.Millisecond
	// deaf is how long a line is held back after the prompt for an adapter that hears nothing for some milliseconds then.
	deaf = 10 * time.Millisecond
)

// Open starts the reader, finds the adapter and sets it up: no echo, no linefeeds, no spaces, headers, nothing
// stored, the protocol to be tried first. Settings that the adapter does not know are gone without; Info().Features
// tells which. It wakes an adapter that was put to sleep, and may be called again to set the adapter up anew.
// Whether it succeeds or not, Close must be called in the end.
//
// It fails with ErrNotAdapter if nothing at the other end talks like one, with ErrTimeout if the adapter stops
// answering on the way, with ErrOption if an option makes no sense, or with the stream's error.
func (c *Conn) Open(ctx context.Context) (Info, error) {
	if err := c.take(ctx); err != nil {
		return Info{}, err
	}
	defer c.give()
	if err := c.o.check(); err != nil {
		return Info{}, err
	}
	if err := c.start(); err != nil {
		return Info{}, err
	}
	remembered := c.session.remembered
	if remembered == 0 && c.o.Protocol != "" {
		remembered = c.o.Protocol[0]
	}
	c.ready, c.session = false, session{remembered: remembered, missing: c.session.missing, missed: c.session.missed}
	c.counts.clear()
	c.shown = false
	c.pace.trip, c.pace.plain, c.pace.disproved = 0, false, false
	c.setInfo(func(i *Info) { *i = Info{} })
	if err := c.find(ctx); err != nil {
		return Info{}, err
	}
	err := c.setUp(ctx)
	if errors.Is(err, ErrTimeout) && len(c.heard) == 0 && c.breath == 0 {
		// It answered a call that came out of a silence, and then not a sound to what followed a prompt at once.
		c.breath = deaf
		if c.find(ctx) == nil && c.setUp(ctx) == nil {
			err = nil
		} else {
			c.breath = 0
		}
	}
	if err != nil {
		return Info{}, fmt.Errorf("set the adapter up: %w", err)
	}
	c.ready, c.asleep = true, false
	return c.Info(), nil
}

// check finds options that make no sense.
func (o Options) check() error {
	if o.Protocol != "" && (len(o.Protocol) != 1 || protocolOf[o.Protocol[0]] == "") {
		return fmt.Errorf(`%w: protocol %q is none; give a number from "1" to "9", or nothing to search`, ErrOption, o.Protocol)
	}
	if _, ok := rates[o.RaiseBaud]; o.RaiseBaud != 0 && !ok {
		return fmt.Errorf("%w: the line cannot be raised to %d; give 57600, 115200, 230400 or 500000", ErrOption, o.RaiseBaud)
	}
	if o.Pace < 0 {
		return fmt.Errorf("%w: a character cannot take %v; give ten bit times, or 0 where that is unknown", ErrOption, o.Pace)
	}
	return nil
}

// find calls the adapter at the rate that the line has now, and where that was raised or may have been, at the others.
func (c *Conn) find(ctx context.Context) error {
	if c.asleep {
		if err := c.wake(ctx); err != nil {
			return err
		}
	}
	err := c.sync(ctx)
	for _, baud := range c.otherRates() {
		if err == nil || !errors.Is(err, ErrNotAdapter) {
			break
		}
		if c.setBaud(baud) == nil && c.sync(ctx) == nil {
			return nil
		}
	}
	return err
}

// sync calls until there is a prompt, whatever is said before it: after it the adapter and we agree on whose turn
// it is.
func (c *Conn) sync(ctx context.Context) error {
	c.heard = c.heard[:0]
	if err := c.discard(ctx, quiet); err != nil {
		return err
	}
	heard := append([]byte(nil), c.heard...)
	for i := range syncTries {
		c.busy, c.unended = false, false // or the call would wait for a prompt first
		call := identify
		if i == 0 {
			// The adapter may hold a part of an earlier line, which the end of this one would make an order of if all
			// else of it were lost: with so many spaces in front it takes that many lost characters more.
			call = identifySlowly
		}
		r, err := c.command(ctx, call, c.o.Timeout/2)
		switch {
		case err == nil:
			c.noteVersion(r)
			// If the call's first character stopped something, this was the prompt of that, and the reply to the
			// call is still to come; taken for the next one's it would leave us one behind for good.
			return c.discard(ctx, quiet)
		case errors.Is(err, ErrTimeout):
			heard = append(heard, c.heard...)
		default:
			return err
		}
	}
	c.heard = heard[:min(len(heard), heardMax)]
	return c.failure(ErrNotAdapter)
}

// setUp restarts the adapter and chooses its settings.
func (c *Conn) setUp(ctx context.Context) error {
	if err := c.restart(ctx); err != nil {
		return err
	}
	if err := c.raise(ctx); err != nil {
		return err
	}
	// A copy may know fewer settings than the real one, but no adapter fails to turn its echo off, and nothing
	// else that sends a > answers this with OK.
	r, err := c.set(ctx, echoOff)
	if err != nil {
		return err
	}
	if !r.ok() && c.info.Version == "" {
		return c.failure(ErrNotAdapter)
	}
	var f Features
	f.Echo, f.Baud = r.ok(), c.info.Features.Baud
	c.pace.plain = r.ok()
	first := anyProtocol
	if c.session.remembered != 0 {
		first = protocolOf[c.session.remembered]
	}
	for _, x := range []struct {
		command command
		able    *bool
	}{
		{linefeedsOff, &f.Linefeeds}, {spacesOff, &f.Spaces}, {headersOn, &f.Headers}, {memoryOff, &f.Memory},
		{adaptive, &f.Adaptive}, {timeoutUsual, &f.Timeout}, {first, &f.Protocols},
	} {
		r, err := c.set(ctx, x.command)
		if err != nil {
			return err
		}
		*x.able = r.ok()
	}
	if r, err = c.set(ctx, volts); err != nil {
		return err
	}
	v, _ := r.volts()
	if err := c.measure(ctx); err != nil {
		return err
	}
	c.session.framing = AnyFraming
	if !f.Headers {
		c.session.framing = Bare
	}
	c.setInfo(func(i *Info) { i.Features, i.Volts = f, v })
	return nil
}

// restart puts all settings back to default, by the slow way only where the quick one is not known. There are
// adapters that know neither, or do not answer; they are used as they are.
func (c *Conn) restart(ctx context.Context) error {
	for _, k := range []command{warmStart, reset} {
		r, err := c.command(ctx, k, c.o.ResetTimeout)
		if errors.Is(err, ErrTimeout) {
			return c.find(ctx) // a full restart may have put the line's rate back
		}
		if err != nil {
			return err
		}
		if c.noteVersion(r) {
			return nil
		}
	}
	return nil
}

// noteVersion keeps the adapter's name for itself, if the reply has one.
func (c *Conn) noteVersion(r reply) bool {
	for _, line := range r.lines() {
		if i := strings.Index(strings.ToUpper(line), "ELM"); i >= 0 {
			c.setInfo(func(info *Info) { info.Version = line[i:] })
			return true
		}
	}
	return false
}

// Volts asks for the voltage at the adapter's supply pin, in volts. It fails with ErrRejected on an adapter that
// cannot measure it.
func (c *Conn) Volts(ctx context.Context) (float64, error) {
	if err := c.take(ctx); err != nil {
		return 0, err
	}
	defer c.give()
	if err := c.usable(ctx); err != nil {
		return 0, err
	}
	r, err := c.set(ctx, volts)
	if err != nil {
		return 0, err
	}
	v, ok := r.volts()
	switch {
	case ok:
		return v, nil
	case r.rejected():
		return 0, c.failure(ErrRejected)
	}
	return 0, c.failure(ErrGarbled)
}
