// Package port opens the byte stream to an adapter, over a serial line or TCP, and makes its errors uniform. It
// knows nothing of what is said over it.
//
// A Port has one owner, who opens and closes it; one goroutine may read while another writes. The traps of the
// operating system's serial ports are handled here, so that nobody above has to know them:
//
//   - a write or read after Close could reach another file that was given the same descriptor number: no system
//     call starts once Close has begun, and the descriptor is given back only when none is under way;
//   - a write to a device that takes nothing blocks for ever: it fails with ErrTimeout after Options.WriteTimeout,
//     and Close frees it before;
//   - a read that times out looks like a read of nothing: Read goes on until there is something;
//   - an adapter pulled out and our own Close look alike: Close leaves a mark, so that one is ErrGone and the
//     other ErrClosed;
//   - programs that we start would inherit the descriptors and keep the line: they are closed on exec;
//   - with more than 1024 open files the serial library's way of waiting breaks down: it is not used on Linux, and
//     elsewhere that is ErrTooManyFiles;
//   - root is exempt from the exclusive use of a device: a lock on it keeps other careful programs away, and us from
//     opening it twice;
//   - a USB bridge may hold back an answer for 16 ms to send more at once: it is told not to, where it can be;
//   - a device that was plugged in again has another node: every Open follows the given path anew.
//
// Modem lines are not required: pseudo terminals and many Bluetooth links have none. They are never set. The one that
// is looked at says whether a radio link (/dev/rfcommN) has come about; Open waits for that.
package port

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// What went wrong, for callers who decide by it. Errors of this package wrap one of them in an *Error.
var (
	// ErrClosed says that this port was closed by its owner.
	ErrClosed = errors.New("the port is closed")
	// ErrGone says that the other end vanished: unplugged, switched off, out of reach. Open again later.
	ErrGone = errors.New("the adapter is gone")
	// ErrTimeout says that the device took nothing of what was written for too long. Open again later.
	ErrTimeout = errors.New("the adapter takes nothing")
	// ErrNotFound says that nothing is at the address now. It may be later.
	ErrNotFound = errors.New("there is no adapter at this address")
	// ErrBusy says that another program holds the port.
	ErrBusy = errors.New("another program uses this port")
	// ErrPermission says that this user may not open the port.
	ErrPermission = errors.New("this user may not open the port")
	// ErrTooManyFiles says that this process or the system has too many open files for another port.
	ErrTooManyFiles = errors.New("too many files are open")
	// ErrNotSerial says that something is at the path and that it is no serial port. Trying again will not help.
	ErrNotSerial = errors.New("this is not a serial port")
	// ErrOption says that the address or an option makes no sense. Trying again will not help.
	ErrOption = errors.New("this cannot be an adapter's address")
	// ErrNoRate says that this port has no bit rate to be set: a TCP connection has none.
	ErrNoRate = errors.New("this port has no baud rate")
)

// Error is what every failing call returns: what was tried, where, and why it failed. Its text is one sentence
// that also says what would be right.
type Error struct {
	Op      string // "open", "read", "write", "set the rate of", "wake" or "close"
	Address string // as given to Open
	Err     error  // wraps one of this package's sentinels, or a context's error
}

func (e *Error) Error() string { return e.Op + " " + e.Address + ": " + e.Err.Error() }

// Unwrap gives the cause to errors.Is and errors.As.
func (e *Error) Unwrap() error { return e.Err }

// Options are the settings of a port. The zero value is right for most adapters.
type Options struct {
	Baud         int           // characters are 8N1; bits per second, serial lines only; 0 = 38400
	DialTimeout  time.Duration // how long a TCP connection may take to come about; 0 = 10 s
	WriteTimeout time.Duration // how long one Write may take; 0 = 2 s
}

func (o Options) withDefaults() Options {
	if o.Baud == 0 {
		o.Baud = 38400
	}
	if o.DialTimeout == 0 {
		o.DialTimeout = 10 * time.Second
	}
	if o.WriteTimeout == 0 {
		o.WriteTimeout = 2 * time.Second
	}
	return o
}

// RadioPatience is how long after opening a radio link the first answer may take. The kernel allows 30 s for the
// connection (from a reading of its RFCOMM code), and the adapter needs a moment after it.
const RadioPatience = 35 * time.Second

// link is one kind of byte stream. Its Close wakes its Read and Write, and after Close no call reaches the system. A
// Write that takes too long fails with os.ErrDeadlineExceeded.
type link interface {
	io.ReadWriteCloser
	setBaud(baud int) error
	pulse(low time.Duration) error
}

// Port is an open byte stream to an adapter.
type Port struct {
	address  string
	link     link
	patience time.Duration
	paced    bool         // characters leave and come at the rate that was set
	baud     atomic.Int64 // the rate that was set last
	closed   atomic.Bool  // set before link.Close: tells our own closing from an adapter that went away
	writing  sync.Mutex   // one Write at a time, so that lines are never interleaved
}

// Open opens the stream at address and drops whatever input was pending on it. An address is the path of a serial
// device ("/dev/ttyUSB0", better a link of /dev/serial/by-id, "COM3" on Windows) or "tcp://host:port". On a radio link
// it waits until the other side is connected, for RadioPatience at the most. The context bounds the opening only. The
// error is an *Error.
func Open(ctx context.Context, address string, o Options) (*Port, error) {
	o = o.withDefaults()
	p := &Port{address: address}
	p.baud.Store(int64(o.Baud))
	if err := p.open(ctx, o); err != nil {
		return nil, &Error{Op: "open", Address: address, Err: err}
	}
	return p, nil
}

func (p *Port) open(ctx context.Context, o Options) (err error) {
	if err := ctx.Err(); err != nil {
		return err
	}
	if o.Baud < 0 || o.DialTimeout < 0 || o.WriteTimeout < 0 {
		return fmt.Errorf("%w: baud %d, dial time-out %v and write time-out %v must be positive, or 0 for the default",
			ErrOption, o.Baud, o.DialTimeout, o.WriteTimeout)
	}
	scheme, rest, hasScheme := strings.Cut(p.address, "://")
	switch {
	case p.address == "":
		return fmt.Errorf(`%w: it is empty; give a serial device such as "/dev/ttyUSB0" or "tcp://host:port"`, ErrOption)
	case !hasScheme:
		return p.openDevice(ctx, o)
	case scheme == "tcp":
		p.link, err = dialTCP(ctx, rest, o)
		return err
	}
	return fmt.Errorf(`%w: %q is not known; give a serial device's path or "tcp://host:port"`, ErrOption, scheme+"://")
}

// openDevice opens a serial device and finds out what kind of line it is.
func (p *Port) openDevice(ctx context.Context, o Options) error {
	kind := lineOf(p.address)
	l, err := openSerial(p.address, o)
	if err != nil {
		return err
	}
	if kind == radio {
		p.patience = RadioPatience
		if c, ok := l.(interface{ carrier() (bool, error) }); ok {
			connected, err := awaitCarrier(ctx, c.carrier)
			if err != nil {
				return errors.Join(err, l.Close())
			}
			if connected {
				p.patience = 0
			}
		}
	}
	p.link, p.paced = l, kind == wire
	return nil
}

// Patience is how long the first answer may take beyond what is usual: RadioPatience on a radio link that could not
// tell whether it is connected, 0 everywhere else.
func (p *Port) Patience() time.Duration { return p.patience }

// Pace is how long one character takes on the line: a start bit, eight data bits and a stop bit. It is 0 where the
// rate means nothing: over TCP and radio, on USB devices that have no line behind them (ttyACM), on pseudo terminals.
func (p *Port) Pace() time.Duration {
	if !p.paced {
		return 0
	}
	return 10 * time.Second / time.Duration(p.baud.Load())
}

// SetBaud changes the rate of an open serial line, after what was written has left. It fails with ErrNoRate over TCP
// and with ErrOption if the device cannot do that rate; then the old one stays.
func (p *Port) SetBaud(baud int) error {
	const op = "set the rate of"
	p.writing.Lock()
	defer p.writing.Unlock()
	if p.closed.Load() {
		return p.fail(op, nil)
	}
	if baud <= 0 {
		return &Error{Op: op, Address: p.address, Err: fmt.Errorf("%w: baud %d must be positive; 38400 is the usual rate", ErrOption, baud)}
	}
	if err := p.link.setBaud(baud); err != nil {
		if errors.Is(err, ErrOption) || errors.Is(err, ErrNoRate) {
			return &Error{Op: op, Address: p.address, Err: err}
		}
		return p.fail(op, err)
	}
	p.baud.Store(int64(baud))
	return nil
}

// Pulse holds the line low for that long, which wakes an adapter that sleeps at any rate. It fails with ErrNoRate where there is no
// line to be held: over TCP and radio, on USB devices without a line behind them, on pseudo terminals.
func (p *Port) Pulse(d time.Duration) error {
	const op = "wake"
	p.writing.Lock()
	defer p.writing.Unlock()
	if p.closed.Load() {
		return p.fail(op, nil)
	}
	if !p.paced {
		return &Error{Op: op, Address: p.address, Err: ErrNoRate}
	}
	if err := p.link.pulse(d); err != nil {
		return p.fail(op, err)
	}
	return nil
}

// Read blocks until there is at least one byte. After Close it fails with ErrClosed, when the other end vanished
// with ErrGone.
func (p *Port) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	for {
		if p.closed.Load() {
			return 0, p.fail("read", nil)
		}
		n, err := p.link.Read(b)
		switch {
		case n > 0:
			return n, nil // an error that came with it comes again
		case err != nil:
			return 0, p.fail("read", err)
		}
	}
}

// Write writes all of b, or says why it could not: ErrClosed after Close, ErrGone when the other end vanished,
// ErrTimeout when it took too long. Part of b may have been sent then.
func (p *Port) Write(b []byte) (int, error) {
	p.writing.Lock()
	defer p.writing.Unlock()
	if p.closed.Load() {
		return 0, p.fail("write", nil)
	}
	n, err := p.link.Write(b)
	if err != nil {
		return n, p.fail("write", err)
	}
	return n, nil
}

// Close closes the stream and wakes a blocked Read and Write. Closing again does nothing and returns nil.
func (p *Port) Close() error {
	if p.closed.Swap(true) {
		return nil
	}
	if err := p.link.Close(); err != nil {
		return &Error{Op: "close", Address: p.address, Err: err}
	}
	return nil
}

// fail names a failed call on an open stream. Whatever the system said, after our own Close it is ErrClosed; before it
// the stream is of no further use, whatever the reason.
func (p *Port) fail(op string, err error) error {
	switch {
	case p.closed.Load():
		err = ErrClosed
	case errors.Is(err, io.EOF):
		err = fmt.Errorf("%w: it closed the connection; connect again", ErrGone)
	case errors.Is(err, os.ErrDeadlineExceeded):
		err = fmt.Errorf("%w; switch it off and on, or unplug it and plug it in again", ErrTimeout)
	case errors.Is(err, ErrTooManyFiles):
	default:
		err = fmt.Errorf("%w (%w); plug it in again or bring it back into reach", ErrGone, err)
	}
	return &Error{Op: op, Address: p.address, Err: err}
}
