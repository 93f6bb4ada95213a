package obdtest

import (
	"context"
	"errors"
	"time"
)

const (
	// wakePulse is how long the line must be low to wake the adapter (data sheet, firmware 2.1, p. 20).
	wakePulse = 128 * time.Microsecond
	// wakeTime is how long that takes.
	wakeTime = time.Second
	// wakeBaud is the highest rate at which a single character is such a pulse (same page).
	wakeBaud = 57600
)

// Asleep tells whether the adapter is in its low-power mode.
func (a *Adapter) Asleep() (asleep bool) {
	a.note(func() { asleep = a.asleep })
	return asleep
}

// lowPower is AT LP: OK without anything behind it, and then nothing more until something wakes it.
func (d *dialogue) lowPower(ctx context.Context, ready time.Time) error {
	d.note(func() { d.heard.AT["LP"]++ })
	if err := d.line.send(ctx, ready, []byte("OK")); err != nil {
		return err
	}
	d.fallAsleep(true)
	return nil
}

func (d *dialogue) fallAsleep(yes bool) {
	d.set.asleep, d.set.open, d.late = yes, false, nil
	d.note(func() { d.asleep = yes })
}

// sleep waits for a pulse on the line, and starts warm after it. What comes in the meantime is lost.
func (d *dialogue) sleep(ctx context.Context) error {
	c, ok, err := d.next(ctx, time.Time{})
	switch {
	case errors.Is(err, errBreak):
		c.at = time.Now()
	case err != nil:
		return err
	case !ok || d.line.baud > wakeBaud:
		return nil
	}
	ready := c.at.Add(wakeTime)
	for { // what comes in the meantime is lost
		if stopped, err := d.pause(ctx, ready); err != nil {
			return err
		} else if !stopped {
			break
		}
	}
	if d.o.Forgetful {
		d.reload()
	}
	d.fallAsleep(false)
	d.text, d.fresh = d.text[:0], true
	return d.reply(ctx, ready, banner(d))
}
