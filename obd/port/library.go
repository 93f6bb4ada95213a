package port

import (
	"errors"
	"fmt"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"
)

const (
	// pollEvery is how long one system read may wait. It is the longest time that Close waits for a reader.
	pollEvery = 50 * time.Millisecond
	// chunk is the most that one system write is given: less than any driver's buffer, so that throwing away
	// what waits to be sent always lets a blocked write go on.
	chunk = 64
	// closePatience is how long Close waits for a write that is stuck in a driver which ignores that.
	closePatience = 2 * time.Second
)

// libraryLink is a serial port that is read and written through the library, where this package has no better way.
// The library closes the descriptor under a running call and lets calls after Close through, so every call holds calls
// for reading and Close takes it for writing.
type libraryLink struct {
	port    serial.Port
	timeout time.Duration // for one Write
	mode    atomic.Pointer[serial.Mode]
	closing atomic.Bool
	writing atomic.Bool  // a write may be under way; set before closing is looked at
	calls   sync.RWMutex // held for reading around every system call on port
}

func openLibrary(path string, o Options) (link, error) {
	if err := checkPath(path); err != nil {
		return nil, err
	}
	p, err := serial.Open(path, mode(o.Baud))
	if err != nil {
		return nil, openError(err, o.Baud)
	}
	// The time-out is set before any reader exists: the library does not guard it.
	if err := p.SetReadTimeout(pollEvery); err != nil {
		_ = p.Close()
		return nil, fmt.Errorf("%w: %w", ErrNotSerial, err)
	}
	if err := p.ResetInputBuffer(); err != nil {
		_ = p.Close()
		return nil, fmt.Errorf("%w (%w); plug it in again", ErrGone, err)
	}
	l := &libraryLink{port: p, timeout: o.WriteTimeout}
	l.mode.Store(mode(o.Baud))
	return l, nil
}

// Read waits up to pollEvery and returns (0, nil) if nothing came; Port.Read asks again.
func (l *libraryLink) Read(b []byte) (n int, err error) {
	l.calls.RLock()
	defer l.calls.RUnlock()
	if l.closing.Load() {
		return 0, ErrClosed
	}
	defer func() {
		// The library's set of descriptors has room for 1024 and is indexed with the descriptor's number.
		if r := recover(); r != nil {
			n, err = 0, tooManyFiles(fmt.Errorf("%v", r))
		}
	}()
	n, err = l.port.Read(b)
	if code, ok := errors.AsType[*serial.PortError](err); ok && code.Code() == serial.PortClosed {
		err = errHungUp // the library's words for a vanished device, which sound as if we had closed it
	}
	return n, err
}

// Write goes on until all is written, because the system may take less than it was given. When time is up it throws
// away what waits to be sent, which lets the system call under way end.
func (l *libraryLink) Write(b []byte) (int, error) {
	var expired atomic.Bool
	watchdog := time.AfterFunc(l.timeout, func() {
		expired.Store(true)
		l.unblock()
	})
	defer watchdog.Stop()
	done := 0
	for done < len(b) {
		n, err := l.writeSome(b[done:min(len(b), done+chunk)])
		done += n
		switch {
		case expired.Load():
			return done, os.ErrDeadlineExceeded
		case err != nil && !errors.Is(err, syscall.EINTR):
			return done, err
		}
	}
	return done, nil
}

func (l *libraryLink) writeSome(b []byte) (int, error) {
	l.calls.RLock()
	defer l.calls.RUnlock()
	l.writing.Store(true)
	defer l.writing.Store(false)
	if l.closing.Load() {
		return 0, ErrClosed
	}
	return l.port.Write(b)
}

// unblock throws away what waits to be sent, which makes room for the rest, and sets the mode that is set already,
// which makes the system look again. Either fails on a device that is gone, where no write waits.
func (l *libraryLink) unblock() {
	if l.writing.Load() {
		_ = l.port.ResetOutputBuffer()
		_ = l.port.SetMode(l.mode.Load())
	}
}

func (l *libraryLink) setBaud(baud int) error {
	l.calls.RLock()
	defer l.calls.RUnlock()
	if l.closing.Load() {
		return ErrClosed
	}
	if err := l.port.SetMode(mode(baud)); err != nil {
		return rateError(err, baud)
	}
	l.mode.Store(mode(baud))
	return nil
}

func (l *libraryLink) pulse(low time.Duration) error {
	l.calls.RLock()
	defer l.calls.RUnlock()
	if l.closing.Load() {
		return ErrClosed
	}
	return l.port.Break(low)
}

// Close waits until no call is under way, then gives the descriptor back.
func (l *libraryLink) Close() error {
	l.closing.Store(true)
	l.unblock()
	closed := make(chan error, 1)
	go func() {
		l.calls.Lock()
		defer l.calls.Unlock()
		closed <- l.port.Close()
	}()
	patience := time.NewTimer(closePatience)
	defer patience.Stop()
	select {
	case err := <-closed:
		return err
	case <-patience.C:
		// The driver keeps the write. Nobody can wait for that; the goroutine closes the descriptor when the
		// device is pulled out, which is the only thing that ends such a write.
		return fmt.Errorf("%w: its driver holds on to a write; unplug it", ErrGone)
	}
}
