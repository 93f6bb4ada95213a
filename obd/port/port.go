// Package port opens the byte stream to an adapter, over a serial line or TCP, and makes its errors uniform. It
// knows nothing of what is said over it.
//
// A Port has one owner, who opens and closes it; one goroutine may read while another writes. The traps of the
// operating system's serial ports are handled here, so that nobody above has to know them:
//
//   - a write or read after Close could reach another file that was given the same descriptor number: no system
//     call starts once Close has begun, and the descriptor is given back only when none is under way;
//   - a read that times out looks like a read of nothing: Read goes on until there is something;
//   - an adapter pulled out and our own Close look alike: Close leaves a mark, so that one is ErrGone and the
//     other ErrClosed;
//   - a write to a device that takes nothing blocks for ever: Close throws away what waits to be sent and goes on.
//
// Modem lines are never touched or required: pseudo terminals and many Bluetooth links have none.
package port

import (
	"context"
	"errors"
	"fmt"
	"io"
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
	// ErrNotFound says that nothing is at the address now. It may be later.
	ErrNotFound = errors.New("there is no adapter at this address")
	// ErrBusy says that another program holds the port.
	ErrBusy = errors.New("another program uses this port")
	// ErrPermission says that this user may not open the port.
	ErrPermission = errors.New("this user may not open the port")
	// ErrNotSerial says that something is at the path and that it is no serial port. Trying again will not help.
	ErrNotSerial = errors.New("this is not a serial port")
	// ErrOption says that the address or an option makes no sense. Trying again will not help.
	ErrOption = errors.New("this cannot be an adapter's address")
)

// Error is what every failing call returns: what was tried, where, and why it failed. Its text is one sentence
// that also says what would be right.
type Error struct {
	Op      string // "open", "read", "write" or "close"
	Address string // as given to Open
	Err     error  // wraps one of this package's sentinels, or a context's error
}

func (e *Error) Error() string { return e.Op + " " + e.Address + ": " + e.Err.Error() }

// Unwrap gives the cause to errors.Is and errors.As.
func (e *Error) Unwrap() error { return e.Err }

// Options are the settings of a port. The zero value is right for most adapters.
type Options struct {
	Baud        int           // characters are 8N1; bits per second, serial lines only; 0 = 38400
	DialTimeout time.Duration // how long a TCP connection may take to come about; 0 = 10 s
}

func (o Options) withDefaults() Options {
	if o.Baud == 0 {
		o.Baud = 38400
	}
	if o.DialTimeout == 0 {
		o.DialTimeout = 10 * time.Second
	}
	return o
}

// link is one kind of byte stream. Its Close wakes its Read, and after Close no call reaches the system.
type link interface{ io.ReadWriteCloser }

// Port is an open byte stream to an adapter.
type Port struct {
	address string
	link    link
	closed  atomic.Bool // set before link.Close: tells our own closing from an adapter that went away
	writing sync.Mutex  // one Write at a time, so that lines are never interleaved
}

// Open opens the stream at address and drops whatever input was pending on it. An address is the path of a serial
// device ("/dev/ttyUSB0", better a link of /dev/serial/by-id, "COM3" on Windows) or "tcp://host:port". The context
// bounds the opening only. The error is an *Error.
func Open(ctx context.Context, address string, o Options) (*Port, error) {
	o = o.withDefaults()
	l, err := open(ctx, address, o)
	if err != nil {
		return nil, &Error{Op: "open", Address: address, Err: err}
	}
	return &Port{address: address, link: l}, nil
}

func open(ctx context.Context, address string, o Options) (link, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if o.Baud < 0 || o.DialTimeout < 0 {
		return nil, fmt.Errorf("%w: baud %d and dial time-out %v must be positive, or 0 for the default",
			ErrOption, o.Baud, o.DialTimeout)
	}
	scheme, rest, hasScheme := strings.Cut(address, "://")
	switch {
	case address == "":
		return nil, fmt.Errorf(`%w: it is empty; give a serial device such as "/dev/ttyUSB0" or "tcp://host:port"`, ErrOption)
	case !hasScheme:
		return openSerial(address, o.Baud)
	case scheme == "tcp":
		return dialTCP(ctx, rest, o.DialTimeout)
	}
	return nil, fmt.Errorf(`%w: %q is not known; give a serial device's path or "tcp://host:port"`, ErrOption, scheme+"://")
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

// Write writes all of b, or says why it could not: ErrClosed after Close, ErrGone when the other end vanished.
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

// Close closes the stream and wakes a blocked Read. Closing again does nothing and returns nil.
func (p *Port) Close() error {
	if p.closed.Swap(true) {
		return nil
	}
	if err := p.link.Close(); err != nil {
		return &Error{Op: "close", Address: p.address, Err: err}
	}
	return nil
}

// fail names a failed read or write. Whatever the system said, after our own Close it is ErrClosed; before it the
// stream is of no further use, whatever the reason.
func (p *Port) fail(op string, err error) error {
	switch {
	case p.closed.Load():
		err = ErrClosed
	case errors.Is(err, io.EOF):
		err = fmt.Errorf("%w: it closed the connection; connect again", ErrGone)
	default:
		err = fmt.Errorf("%w (%w); plug it in again or bring it back into reach", ErrGone, err)
	}
	return &Error{Op: op, Address: p.address, Err: err}
}
