package daemon

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"

	"github.com/creack/pty"

	"underdash/obd/obdtest"
	"underdash/obd/port"
)

// injection is a fault as the test brings it about, with the row of the table that must recognise it.
type injection struct {
	name       string
	row        string // of the table
	tcp        bool
	faked      bool // the daemon's way of opening, and what it opened, is wrapped: the system cannot be made to fail so
	begin, end func(l *linked) error
}

func ofAdapter(name, row string, f obdtest.Fault) injection {
	return injection{name: name, row: row, begin: func(l *linked) error { l.car.Adapter().SetFault(f); return nil },
		end: func(l *linked) error { l.car.Adapter().SetFault(obdtest.NoFault); return nil }}
}

func ofWords(name, row, words string) injection {
	return injection{name: name, row: row, begin: func(l *linked) error { l.car.Adapter().Words(words); return nil },
		end: func(l *linked) error { l.car.Adapter().Words(""); return nil }}
}

// ofOpening is for what a test cannot bring about: root may open everything, and a limit on files is the whole process's.
// The stream breaks, and then cannot be opened for that reason.
func ofOpening(name, row string, why error) injection {
	return injection{name: name, row: row, faked: true, begin: func(l *linked) error { l.way.block(why); return l.running.Unplug() },
		end: func(l *linked) error { l.way.block(nil); return l.running.Replug() }}
}

func ofWriting(name, row string, why error) injection {
	return injection{name: name, row: row, faked: true, begin: func(l *linked) error { l.way.mute(why); return nil },
		end: func(l *linked) error { l.way.mute(nil); return nil }}
}

func overTCP(i injection) injection {
	i.name, i.tcp = i.name+", over TCP", true
	return i
}

func unplug(l *linked) error { return l.running.Unplug() }
func replug(l *linked) error { return l.running.Replug() }

// injections are at least one for every row of the table of faults, over a tty where not said otherwise.
var injections = []injection{
	{name: "unplugged, and plugged in again under another node", row: "not found", begin: unplug, end: replug},
	{name: "another program on the port", row: "another program on the port",
		begin: func(l *linked) (err error) {
			if err = l.running.Unplug(); err == nil {
				l.release, err = l.running.ReplugTaken()
			}
			return err
		},
		end: func(l *linked) error { return l.release() }},
	{name: "a file where the port was", row: "no port",
		begin: func(l *linked) error {
			return errors.Join(l.running.Unplug(), os.WriteFile(l.running.Adapter, nil, 0o600))
		},
		end: replug},
	noPermission(),
	ofOpening("too many open files", "too many open files", port.ErrTooManyFiles),
	{name: "a device that takes nothing", row: "takes nothing",
		begin: func(l *linked) (err error) { l.release, err = l.running.Hold(); return err },
		end:   func(l *linked) error { return l.release() }},
	ofWriting("something nobody thought of", "anything else", errors.New("a new kind of trouble")),
	ofAdapter("an adapter that says nothing", "no adapter's answer", obdtest.Dead),
	ofAdapter("a wrong baud rate", "no adapter's answer", obdtest.WrongBaud),
	ofAdapter("a hang in mid-answer", "adapter hangs", obdtest.Hang),
	ofAdapter("garbage", "garbage", obdtest.Garbage),
	ofAdapter("a silent car, that answers again", "silent car", obdtest.SilentCar),
	ofAdapter("a sleeping bus", "silent car", obdtest.SleepingBus),
	{name: "the adapter restarts", row: "adapter restarted", begin: func(l *linked) error { l.car.Adapter().BrownOut(); return nil },
		end: func(*linked) error { return nil }},
	ofWords("the adapter goes to sleep", "adapter goes to sleep", "LP ALERT"),
	ofWords("the adapter reports a fault", "adapter's own fault", "FB ERROR"),
	ofWords("an engine computer that knows nothing", "nothing to ask", "7E8064100000000000000"),
	overTCP(injection{name: "the peer goes away and refuses", row: "not found", begin: unplug, end: replug}),
	overTCP(injection{name: "the peer goes away", row: "gone", begin: unplug, end: replug}),
	overTCP(ofAdapter("the peer says nothing", "no adapter's answer", obdtest.Dead)),
	overTCP(ofAdapter("a hang in mid-answer", "adapter hangs", obdtest.Hang)),
}

// noPermission puts a tty that may not be opened where the adapter was.
func noPermission() injection {
	const name = "no permission"
	if os.Getuid() == 0 {
		return ofOpening(name, name, port.ErrPermission)
	}
	return injection{name: name, row: name,
		begin: func(l *linked) error {
			master, slave, err := pty.Open()
			if err != nil {
				return err
			}
			l.release = func() error { return errors.Join(slave.Close(), master.Close()) }
			return errors.Join(os.Chmod(slave.Name(), 0), l.running.Unplug(), os.Symlink(slave.Name(), l.running.Adapter))
		},
		end: func(l *linked) error { return errors.Join(l.release(), l.running.Replug()) }}
}

// way is the daemon's way to an adapter, which can be blocked at two places.
type way struct {
	mu   sync.Mutex // guards what follows
	shut error      // why it cannot be opened
	deaf error      // why it cannot be written to
}

func (w *way) block(why error) { w.mu.Lock(); defer w.mu.Unlock(); w.shut = why }
func (w *way) mute(why error)  { w.mu.Lock(); defer w.mu.Unlock(); w.deaf = why }

func (w *way) now() (shut, deaf error) { w.mu.Lock(); defer w.mu.Unlock(); return w.shut, w.deaf }

func (w *way) dial(ctx context.Context, address string, baud int) (io.ReadWriteCloser, error) {
	if why, _ := w.now(); why != nil {
		return nil, &port.Error{Op: "open", Address: address, Err: why}
	}
	stream, err := dial(ctx, address, baud)
	if err != nil {
		return nil, err
	}
	return mutable{stream.(*port.Port), w}, nil
}

type mutable struct {
	*port.Port
	way *way
}

func (m mutable) Write(b []byte) (int, error) {
	if _, why := m.way.now(); why != nil {
		return 0, &port.Error{Op: "write", Address: "the virtual adapter", Err: why}
	}
	return m.Port.Write(b)
}
