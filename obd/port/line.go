package port

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"regexp"
	"time"
)

// line is what is known of a serial device by its name.
type line uint8

const (
	unknown line = iota // the rate that was set may mean nothing
	wire                // a UART, or a USB bridge with one behind it: characters come at the rate that was set
	radio               // a Bluetooth serial port
)

// The names that Linux gives: ttyUSB for USB bridges, rfcomm for Bluetooth, the rest for UARTs of PCs and of boards.
// ttyACM is left out on purpose: most of them are adapters with USB of their own, where the rate means nothing.
var (
	wireNames  = regexp.MustCompile(`^tty(USB|S|AMA|HS|O|mxc|SC|PS|STM|THS|LP)[0-9]+$`)
	radioNames = regexp.MustCompile(`^rfcomm[0-9]+$`)
)

// lineOf tells the kind of line behind a path, following links such as those of /dev/serial/by-id.
func lineOf(path string) line {
	name := deviceName(path)
	switch {
	case wireNames.MatchString(name):
		return wire
	case radioNames.MatchString(name):
		return radio
	}
	return unknown
}

// deviceName is the last part of the path that the given one leads to.
func deviceName(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real
	}
	return filepath.Base(path)
}

// carrierEvery is how often awaitCarrier looks: often enough to cost nobody anything.
const carrierEvery = 100 * time.Millisecond

// awaitCarrier waits until a radio link has come about. What is written earlier only queues up, and all of it would
// reach the adapter at once. connected is false if the device does not tell, or did not in RadioPatience: some
// adapters raise none of the lines. It fails with ErrNotFound when the system gives the connection up, and with the
// context's error.
func awaitCarrier(ctx context.Context, carrier func() (bool, error)) (connected bool, err error) {
	tick := time.NewTicker(carrierEvery)
	defer tick.Stop()
	patience := time.NewTimer(RadioPatience)
	defer patience.Stop()
	for {
		connected, err := carrier()
		switch {
		case errors.Is(err, errNoModemLines):
			return false, nil
		case err != nil:
			return false, fmt.Errorf("%w: the radio link did not come about (%w); switch the adapter on, bring it into reach, and pair it", ErrNotFound, err)
		case connected:
			return true, nil
		}
		select {
		case <-tick.C:
		case <-patience.C:
			return false, nil
		case <-ctx.Done():
			return false, ctx.Err()
		}
	}
}

var errNoModemLines = errors.New("the device has no modem lines")
