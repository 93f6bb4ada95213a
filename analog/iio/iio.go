// Package iio reads one channel of a converter behind Linux's Industrial I/O interface: the driver's integer code, through a
// file in sysfs (Open) or through the buffer with its own timestamps (OpenBuffer), and the scale and offset with which the kernel
// says what a code is worth. It knows millivolts at the converter's pin and nothing of what is wired to it. Any directory with
// the same files will do.
//
// File names and rules follow the kernel's Documentation/ABI/testing/sysfs-bus-iio: mV = (raw + offset) × scale.
package iio

import (
	"errors"
	"math"
	"os"
	"sync"
	"syscall"
	"time"

	"underdash/analog"
)

// What a caller decides by when Open fails; the error's text says more.
var (
	// ErrNoDevice: there is no such directory, so the converter or its driver is missing. It may come.
	ErrNoDevice = errors.New("no such converter")
	// ErrNoChannel: the converter has no such channel. The text lists those it has.
	ErrNoChannel = errors.New("no such channel")
	// ErrNoScale: the kernel does not know what a code is worth, and no override was given.
	ErrNoScale = errors.New("no scale")
	// ErrBusy: the converter's buffer is in use, by another program or by the one that asks.
	ErrBusy = errors.New("the converter is in use")
)

// Error says what was wrong with which converter. Its text is one sentence and ends with what would be right.
type Error struct {
	Device, Channel string
	Text            string
	Err             error // one of the sentinels, or the system's error
}

func (e *Error) Error() string { return e.Text }

// Unwrap gives the sentinel or the system's error.
func (e *Error) Unwrap() error { return e.Err }

// Options for Open and OpenBuffer. The zero value takes everything from the kernel.
type Options struct {
	// ScaleMillivolts is what one code is worth at the pin, in mV, instead of what the kernel says. It is needed for converters
	// whose driver does not know its reference voltage. 0: the kernel's.
	ScaleMillivolts float64
	// ConversionRate is conversions a second instead of what the kernel says, for drivers that do not. It bounds how old a code
	// is. 0: the kernel's.
	ConversionRate float64

	// What follows is for OpenBuffer alone.

	// Running takes the buffer only if it runs already and delivers what is needed: nothing is set up, as nobody asked for it.
	Running bool
	// Trigger is the name of the trigger that starts a conversion, instead of the one that is set. Empty: that one.
	Trigger string
	// Rate thins what the buffer delivers to so many readings a second. 0: every reading.
	Rate float64
	// Overrun is called, if given, on the goroutine of Run before the reading after a gap in the buffer's timestamps, with the
	// instants on both sides and how many scans were lost, as well as their rhythm tells.
	Overrun func(from, until time.Time, lost int)
}

// Channel is one open channel that is read through its file in sysfs.
type Channel struct {
	Attributes

	mu       sync.Mutex // guards file and buffer: a read and a Close must not meet on a descriptor's number
	file     *os.File   // nil once closed
	fd       uintptr    // file's, asked for once: asking costs a system call
	followed time.Time  // when the path was last looked at
	bare     bool       // the file's number has no line's end
	buffer   [32]byte
	// pread reads the file's start into the buffer; readStart but for tests.
	pread func(f *os.File, fd uintptr, b []byte) (int, error)
}

var _ analog.Converter = (*Channel)(nil)

// Open opens a channel such as "voltage0", or "voltage0-voltage1" for a differential pair, of a device's directory such as
// "/sys/bus/iio/devices/iio:device0". It needs no privilege. It fails with an *Error that wraps ErrNoDevice, ErrNoChannel,
// ErrNoScale or the system's error.
func Open(device, channel string, o Options) (*Channel, error) {
	c := &Channel{Attributes: Attributes{device: device, channel: channel}, pread: readStart}
	if err := c.find(o); err != nil {
		return nil, err
	}
	file, err := os.Open(c.rawPath())
	if err != nil {
		return nil, c.fail(err, "%s cannot be opened: %v", c.rawPath(), reason(err))
	}
	c.file, c.fd = file, file.Fd()
	return c, nil
}

// Read gives the newest code. It costs one system call on Unix, on a descriptor that stays open: the driver converts, or looks
// up its last conversion, at every read from offset 0. How long it blocks is the driver's affair, up to a few hundred
// milliseconds on slow converters. After Close the error wraps analog.ErrClosed. A converter that has no conversion ready gives
// analog.ErrNotReady and may be asked again; one that was taken away gives the system's error (ENODEV, EIO), and Open must be
// tried again; one whose buffer runs gives ErrBusy.
func (c *Channel) Read() (int32, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return 0, c.fail(analog.ErrClosed, "%s of %s was closed", c.channel, c.device)
	}
	c.follow()
	n, err := c.settled()
	if err != nil {
		return 0, c.readFault(reason(err))
	}
	code, ok := parseCode(c.buffer[:n])
	if !ok {
		return 0, c.fail(errNoCode, "%s of %s gave %q, which is no whole number", c.channel, c.device, c.buffer[:n])
	}
	return code, nil
}

// readFault says what a failed read means. The numbers are the same on every system that has IIO.
func (c *Channel) readFault(err error) error {
	switch {
	case errors.Is(err, syscall.EBUSY):
		return c.fail(errors.Join(ErrBusy, err), "%s of %s cannot be read while the converter's buffer runs (%v): stop the program that reads the buffer, or let this one read it", c.channel, c.device, err)
	case errors.Is(err, syscall.EAGAIN), errors.Is(err, syscall.ETIMEDOUT):
		return c.fail(errors.Join(analog.ErrNotReady, err), "%s of %s had no conversion ready: %v", c.channel, c.device, err)
	case errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return c.fail(err, "the converter at %s was taken away (%v): check its wiring and supply", c.device, err)
	}
	return c.fail(err, "%s of %s cannot be read: %v", c.channel, c.device, err)
}

var errNoCode = errors.New("not a code")

// Close ends all reading. It waits for a read under way; closing twice is allowed.
func (c *Channel) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return nil
	}
	err := c.file.Close()
	c.file = nil
	return err
}

// parseCode reads the decimal integer that a raw attribute holds, with blanks around it allowed. It is strconv.ParseInt for 32 bits
// without the copy.
func parseCode(text []byte) (int32, bool) {
	i, end := 0, len(text)
	for i < end && blank(text[i]) {
		i++
	}
	for end > i && blank(text[end-1]) {
		end--
	}
	negative := i < end && text[i] == '-'
	if i < end && (negative || text[i] == '+') {
		i++
	}
	if i == end {
		return 0, false
	}
	var n int64
	for ; i < end; i++ {
		d := text[i] - '0'
		if d > 9 || n > math.MaxInt32 {
			return 0, false
		}
		n = 10*n + int64(d)
	}
	if negative {
		n = -n
	}
	return int32(n), n >= math.MinInt32 && n <= math.MaxInt32
}

func blank(b byte) bool { return b == ' ' || b == '\n' || b == '\t' || b == '\r' || b == 0 }
