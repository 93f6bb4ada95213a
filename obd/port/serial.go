package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
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

var errHungUp = errors.New("the device hung up")

// serialLink is a serial port. The library closes the descriptor under a running call and lets calls after Close
// through, so every call holds calls for reading and Close takes it for writing.
type serialLink struct {
	port    serial.Port
	mode    serial.Mode
	closing atomic.Bool
	writing atomic.Bool  // a write may be under way; set before closing is looked at
	calls   sync.RWMutex // held for reading around every system call on port
}

func openSerial(path string, baud int) (link, error) {
	if err := checkPath(path); err != nil {
		return nil, err
	}
	mode := serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}
	p, err := serial.Open(path, &mode)
	if err != nil {
		return nil, openError(err, baud)
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
	return &serialLink{port: p, mode: mode}, nil
}

// checkPath looks before opening: to open some devices that are no terminals has effects of its own. Windows has
// names for ports and no paths.
func checkPath(path string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR):
		return notFound()
	case errors.Is(err, fs.ErrPermission):
		return permission()
	case err != nil:
		return fmt.Errorf("%w: %w; give a serial device such as /dev/ttyUSB0", ErrNotSerial, err)
	case info.Mode()&fs.ModeCharDevice == 0:
		return fmt.Errorf("%w: it is %s; give a serial device such as /dev/ttyUSB0", ErrNotSerial, kind(info.Mode()))
	}
	return nil
}

func kind(m fs.FileMode) string {
	switch {
	case m.IsRegular():
		return "a file"
	case m.IsDir():
		return "a directory"
	case m&fs.ModeNamedPipe != 0:
		return "a pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a disk"
	}
	return "something else"
}

func notFound() error {
	return fmt.Errorf("%w; plug it in, or give the path it appears under, best one in /dev/serial/by-id", ErrNotFound)
}

func permission() error {
	return fmt.Errorf("%w; add it to the dialout group (sudo usermod -aG dialout USER) and log in again", ErrPermission)
}

// openError turns what the library says about opening into this package's words.
func openError(err error, baud int) error {
	if code, ok := errors.AsType[*serial.PortError](err); ok {
		switch code.Code() {
		case serial.PortBusy:
			return fmt.Errorf("%w; stop the other program first", ErrBusy)
		case serial.PermissionDenied:
			return permission()
		case serial.PortNotFound:
			return notFound()
		case serial.InvalidSpeed:
			return fmt.Errorf("%w: the port cannot do %d baud; 38400 is the usual rate", ErrOption, baud)
		}
		return fmt.Errorf("%w (%w); give a serial device such as /dev/ttyUSB0", ErrNotSerial, err)
	}
	switch {
	case errors.Is(err, syscall.ENOENT), errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV):
		return notFound() // unplugged between the look and the opening, or a node without a device
	case errors.Is(err, syscall.EPERM):
		return permission()
	case errors.Is(err, syscall.EIO):
		return fmt.Errorf("%w: the device does not answer (%w); unplug it and plug it in again", ErrNotFound, err)
	}
	return fmt.Errorf("%w: %w; give a serial device such as /dev/ttyUSB0", ErrNotSerial, err)
}

// Read waits up to pollEvery and returns (0, nil) if nothing came; Port.Read asks again.
func (l *serialLink) Read(b []byte) (int, error) {
	l.calls.RLock()
	defer l.calls.RUnlock()
	if l.closing.Load() {
		return 0, ErrClosed
	}
	n, err := l.port.Read(b)
	if code, ok := errors.AsType[*serial.PortError](err); ok && code.Code() == serial.PortClosed {
		err = errHungUp // the library's words for a vanished device, which sound as if we had closed it
	}
	return n, err
}

// Write goes on until all is written, because the system may take less than it was given.
func (l *serialLink) Write(b []byte) (int, error) {
	done := 0
	for done < len(b) {
		n, err := l.writeSome(b[done:min(len(b), done+chunk)])
		done += n
		if err != nil && !errors.Is(err, syscall.EINTR) {
			return done, err
		}
	}
	return done, nil
}

func (l *serialLink) writeSome(b []byte) (int, error) {
	l.calls.RLock()
	defer l.calls.RUnlock()
	l.writing.Store(true)
	defer l.writing.Store(false)
	if l.closing.Load() {
		return 0, ErrClosed
	}
	return l.port.Write(b)
}

// Close waits until no call is under way, then gives the descriptor back.
func (l *serialLink) Close() error {
	l.closing.Store(true)
	if l.writing.Load() {
		// It may be blocked in the system. Throwing away its output makes room for the rest; setting the mode it
		// has already makes the system look again. Either fails on a device that is gone, where no write waits.
		_ = l.port.ResetOutputBuffer()
		_ = l.port.SetMode(&l.mode)
	}
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
