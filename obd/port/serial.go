package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime"
	"syscall"

	"go.bug.st/serial"
)

var errHungUp = errors.New("the device hung up")

// mode is how every line is set up, at the given rate.
func mode(baud int) *serial.Mode {
	return &serial.Mode{BaudRate: baud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}
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

func busy() error { return fmt.Errorf("%w; stop the other program first", ErrBusy) }

func tooManyFiles(err error) error {
	return fmt.Errorf("%w (%w); close some, or allow more with LimitNOFILE in the service's unit or with ulimit -n", ErrTooManyFiles, err)
}

// openError turns what the library or the system says about opening into this package's words.
func openError(err error, baud int) error {
	if code, ok := errors.AsType[*serial.PortError](err); ok {
		switch code.Code() {
		case serial.PortBusy:
			return busy()
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
	case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE):
		return tooManyFiles(err)
	case errors.Is(err, syscall.EBUSY):
		return busy()
	case errors.Is(err, syscall.EACCES):
		return permission()
	case errors.Is(err, syscall.EPERM):
		return permission()
	case errors.Is(err, syscall.EIO):
		return fmt.Errorf("%w: the device does not answer (%w); unplug it and plug it in again", ErrNotFound, err)
	}
	return fmt.Errorf("%w: %w; give a serial device such as /dev/ttyUSB0", ErrNotSerial, err)
}

// rateError turns what the library says about another rate into this package's words.
func rateError(err error, baud int) error {
	if code, ok := errors.AsType[*serial.PortError](err); ok && code.Code() == serial.InvalidSpeed {
		return openError(err, baud)
	}
	return err
}
