package port

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"sync"
	"syscall"
	"time"

	"go.bug.st/serial"
	"golang.org/x/sys/unix"
)

// serialLink is a serial port on Linux. The library opens and sets up the line; reading and writing go over a
// descriptor of our own, which the runtime waits for: it is never closed under a running call, has deadlines, and may
// have any number.
type serialLink struct {
	file    *os.File
	timeout time.Duration // for one Write
	// hurry asks the driver of the open device of that name to pass on what comes at once.
	hurry func(fd int, name string)

	mu   sync.Mutex  // guards what follows: the library's calls must not meet its Close
	line serial.Port // nil when closed
}

func openSerial(path string, o Options) (link, error) {
	if err := checkPath(path); err != nil {
		return nil, err
	}
	// Ours first: after the library has claimed the device, only root could open it again.
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, openError(err, o.Baud)
	}
	l := &serialLink{file: os.NewFile(uintptr(fd), path), timeout: o.WriteTimeout,
		hurry: func(fd int, name string) { askLowLatency(fd, name, serialInfo) }}
	if err := l.setUp(fd, path, o.Baud); err != nil {
		return nil, errors.Join(err, l.file.Close())
	}
	return l, nil
}

func (l *serialLink) setUp(fd int, path string, baud int) error {
	// The kernel exempts root from exclusive use. Other programs that lock the device the same way are kept away,
	// and so are we from a port of our own that is still open. Some file systems have no locks: go without.
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); errors.Is(err, unix.EWOULDBLOCK) {
		return busy()
	}
	name := deviceName(path)
	l.hurry(fd, name)
	line, err := openUninherited(path, baud, fd)
	if err != nil {
		return openError(err, baud)
	}
	quicken(sysfs, name) // after the last opening, which resets it
	if err := line.ResetInputBuffer(); err != nil {
		_ = line.Close()
		return fmt.Errorf("%w (%w); plug it in again", ErrGone, err)
	}
	l.line = line
	return nil
}

// openUninherited opens the line through the library and makes its descriptors, the device's and a pipe's, close when
// a program is started. The library does not, and does not show them; the fork lock keeps programs from being started
// in between.
func openUninherited(path string, baud, own int) (serial.Port, error) {
	syscall.ForkLock.RLock()
	defer syscall.ForkLock.RUnlock()
	before := descriptors()
	line, err := serial.Open(path, mode(baud))
	if err != nil {
		return nil, err
	}
	var device unix.Stat_t
	if err := unix.Fstat(own, &device); err != nil {
		return line, nil // it works all the same
	}
	for fd := range descriptors() {
		var s unix.Stat_t
		if before[fd] || unix.Fstat(fd, &s) != nil {
			continue
		}
		// Files that others opened meanwhile are closed on exec already: everything in a Go program but this library
		// opens them so.
		if s.Rdev == device.Rdev && s.Mode&unix.S_IFMT == unix.S_IFCHR || s.Mode&unix.S_IFMT == unix.S_IFIFO {
			unix.CloseOnExec(fd)
		}
	}
	return line, nil
}

// descriptors are the numbers of all open files. Without /proc there are none, and nothing is done about inheriting.
func descriptors() map[int]bool {
	open := make(map[int]bool)
	dir, err := os.Open("/proc/self/fd")
	if err != nil {
		return open
	}
	defer dir.Close()
	names, _ := dir.Readdirnames(-1)
	for _, name := range names {
		if fd, err := strconv.Atoi(name); err == nil {
			open[fd] = true
		}
	}
	delete(open, int(dir.Fd())) // its number is free again in a moment
	return open
}

// Read waits until something came. A hung-up terminal reads as the end of a file.
func (l *serialLink) Read(b []byte) (int, error) {
	n, err := l.file.Read(b)
	if n == 0 && err != nil && !errors.Is(err, os.ErrClosed) {
		return 0, hungUp(err)
	}
	return n, err
}

// hungUp says what the system's words for a vanished device mean, and leaves others as they are.
func hungUp(err error) error {
	if path, ok := errors.AsType[*os.PathError](err); ok {
		err = path.Err // the path is in the port's error already
	}
	if errors.Is(err, io.EOF) || errors.Is(err, unix.EIO) {
		return errHungUp
	}
	return err
}

func (l *serialLink) Write(b []byte) (int, error) {
	if err := l.file.SetWriteDeadline(time.Now().Add(l.timeout)); err != nil {
		return 0, err
	}
	n, err := l.file.Write(b)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		l.discard() // or a part of a line would be sent whenever the device wakes up
	case err != nil && !errors.Is(err, os.ErrClosed):
		err = hungUp(err)
	}
	return n, err
}

// discard throws away what waits to be sent.
func (l *serialLink) discard() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.line != nil {
		_ = l.line.ResetOutputBuffer() // fails on a device that is gone, where nothing waits
	}
}

// drainPatience is how long a change of the rate waits for what was written: a command takes a few milliseconds.
const drainPatience = 100 * time.Millisecond

func (l *serialLink) setBaud(baud int) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.line == nil {
		return ErrClosed
	}
	l.drain()
	if err := l.line.SetMode(mode(baud)); err != nil {
		return rateError(err, baud)
	}
	return nil
}

func (l *serialLink) pulse(low time.Duration) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.line == nil {
		return ErrClosed
	}
	return l.line.Break(low)
}

// drain waits until what was written has left. The system's own call for that may wait for ever.
func (l *serialLink) drain() {
	for end := time.Now().Add(drainPatience); time.Now().Before(end); time.Sleep(time.Millisecond) {
		waiting := 0
		if err := l.control(func(fd int) (err error) { waiting, err = unix.IoctlGetInt(fd, unix.TIOCOUTQ); return err }); err != nil || waiting == 0 {
			return
		}
	}
}

// reached reports whether modem lines tell that the other side of a radio link is connected. It says what its lines are once
// it is (RFCOMM, after GSM 07.10); some adapters say that they are ready, and never raise the carrier.
func reached(lines int) bool { return lines&(unix.TIOCM_CD|unix.TIOCM_DSR|unix.TIOCM_CTS) != 0 }

// carrier looks at the modem lines that say whether the other side is connected.
func (l *serialLink) carrier() (connected bool, err error) {
	err = l.control(func(fd int) error {
		lines, err := unix.IoctlGetInt(fd, unix.TIOCMGET)
		connected = reached(lines)
		return err
	})
	if errors.Is(err, unix.ENOTTY) || errors.Is(err, unix.EINVAL) {
		return false, errNoModemLines
	}
	if err != nil {
		return false, hungUp(err)
	}
	return connected, nil
}

// control runs a control call on our descriptor, which stays open meanwhile.
func (l *serialLink) control(call func(fd int) error) error {
	raw, err := l.file.SyscallConn()
	if err != nil {
		return err
	}
	var failed error
	if err := raw.Control(func(fd uintptr) { failed = call(int(fd)) }); err != nil {
		return err
	}
	return failed
}

// Close ends what is under way and throws away what waits to be sent: the system would wait for it up to half a minute.
// The library's descriptor goes first, because it gives up the exclusive use, and ours with the lock last.
func (l *serialLink) Close() error {
	_ = l.file.SetDeadline(time.Unix(1, 0)) // cannot fail on a descriptor that the runtime waits for
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.line == nil {
		return nil
	}
	_ = l.line.ResetOutputBuffer()
	err := l.line.Close()
	l.line = nil
	return errors.Join(err, l.file.Close())
}
