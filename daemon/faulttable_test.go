package daemon

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/poll"
	"underdash/obd/port"
)

// Errors as they come, wrapped, and what the table makes of the first, the third and the sixth in a row.
func TestJudge(t *testing.T) {
	opening := func(why error) error { return &port.Error{Op: "open", Address: "/dev/ttyUSB0", Err: why} }
	reading := func(why error) error {
		return fmt.Errorf("polling 7E8: %w", &elm.Error{Sent: "010C", Err: &port.Error{Op: "read", Address: "/dev/ttyUSB0", Err: why}})
	}
	talking := func(why error) error {
		return fmt.Errorf("polling 7E8: %w", &elm.Error{Sent: "010C", Heard: "7E8", Err: why})
	}
	const ask, set, open = askAgain, setUp, openAgain
	for _, row := range []struct {
		err  error
		want string
		does [3]remedy
	}{
		{opening(fmt.Errorf("%w; plug it in", port.ErrNotFound)), "not found", [3]remedy{open, open, open}},
		{opening(port.ErrBusy), "another program on the port", [3]remedy{open, open, open}},
		{opening(port.ErrPermission), "no permission", [3]remedy{open, open, open}},
		{opening(port.ErrNotSerial), "no port", [3]remedy{open, open, open}},
		{opening(port.ErrTooManyFiles), "too many open files", [3]remedy{open, open, open}},
		{reading(port.ErrGone), "gone", [3]remedy{open, open, open}},
		{reading(port.ErrTimeout), "takes nothing", [3]remedy{open, open, open}},
		{talking(elm.ErrNotAdapter), "no adapter's answer", [3]remedy{open, open, open}},
		{talking(elm.ErrReset), "adapter restarted", [3]remedy{set, set, open}},
		{talking(elm.ErrAsleep), "adapter goes to sleep", [3]remedy{set, set, open}},
		{talking(elm.ErrFault), "adapter's own fault", [3]remedy{set, set, open}},
		{talking(elm.ErrTimeout), "adapter hangs", [3]remedy{set, open, open}},
		{errDamaged, "garbage", [3]remedy{set, set, set}},
		{talking(obd.ErrNoAnswer), "silent car", [3]remedy{ask, ask, ask}},
		{talking(elm.ErrBus), "silent car", [3]remedy{ask, ask, ask}},
		{talking(elm.ErrUnableToConnect), "silent car", [3]remedy{ask, ask, ask}},
		{fmt.Errorf("polling 7E8: %w", poll.ErrNothingToAsk), "nothing to ask", [3]remedy{ask, ask, ask}},
		{io.ErrUnexpectedEOF, "anything else", [3]remedy{open, open, open}},
	} {
		f := judge(row.err)
		assert.Equal(t, row.want, f.name, "%v", row.err)
		assert.Equal(t, row.does, [3]remedy{f.remedy(1), f.remedy(3), f.remedy(6)}, row.want)
	}
}

// A pause never is so long that the link could not be back within 5 s, and never shrinks.
func TestPauses(t *testing.T) {
	for i := range faults {
		f := &faults[i]
		before := time.Duration(0)
		for n := 1; n < 100; n++ {
			p := f.pause(n, 500*time.Millisecond, 4*time.Second)
			assert.GreaterOrEqual(t, p, before, f.name)
			assert.LessOrEqual(t, p, 3*time.Second, f.name)
			before = p
		}
		assert.Equal(t, before, min(f.most, 4*time.Second), f.name)
		assert.LessOrEqual(t, f.pause(50, time.Millisecond, 2*time.Millisecond), 2*time.Millisecond, "%s: bounded from outside", f.name)
	}
}

// stuck takes nothing and says nothing, and has no deadlines.
type stuck struct{ c net.Conn }

func (s stuck) Read(b []byte) (int, error)  { return s.c.Read(b) }
func (s stuck) Write(b []byte) (int, error) { return s.c.Write(b) }
func (s stuck) Close() error                { return s.c.Close() }

// Whatever the link waits for, the daemon ends at once when it is told to.
func TestTheEndWaitsForNothing(t *testing.T) {
	for _, row := range []struct {
		name   string
		before time.Duration
		fault  func(b *bubble)
	}{
		{"while a write is not taken", 10 * time.Second, func(b *bubble) {
			far, near := net.Pipe()
			b.t.Cleanup(func() { far.Close() })
			b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) { return stuck{near}, nil }
		}},
		{"while the adapter says nothing", 7 * time.Second, func(b *bubble) { b.car.Adapter().SetFault(obdtest.Dead) }},
		{"while it hangs in mid-answer", 7 * time.Second, func(b *bubble) { b.car.Adapter().SetFault(obdtest.Hang) }},
		{"while the protocol is searched for", 3 * time.Second, func(b *bubble) { b.car.Adapter().SetFault(obdtest.SleepingBus) }},
		{"while a connection comes about", 10 * time.Second, func(b *bubble) {
			b.o.Dial = func(ctx context.Context, _ string, _ int) (io.ReadWriteCloser, error) {
				<-ctx.Done()
				return nil, ctx.Err()
			}
		}},
		{"while nothing is plugged in", 10 * time.Second, func(b *bubble) {
			b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) { return nil, port.ErrNotFound }
		}},
		{"while it polls", 10 * time.Second, func(*bubble) {}},
		{"while the car is parked", 80 * time.Second, func(*bubble) {}},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := rig.Demo(time.Minute, 1)
				o.RefreshRate = 20
				b := newBubble(t, o)
				b.cfg.Analog[0].Rate = 10
				row.fault(b)
				b.start()
				time.Sleep(row.before)
				began := time.Now()
				b.stop()
				assert.Less(t, time.Since(began), 100*time.Millisecond)
			})
		})
	}
}

// The car's protocol is searched for once; the daemon's next start knows it, and a file that makes no sense costs no
// more than the search.
func TestMemory(t *testing.T) {
	dir := t.TempDir()
	first := func() (took time.Duration) {
		synctest.Test(t, func(t *testing.T) {
			b := newBubble(t, rig.Demo(20*time.Second, 1))
			b.cfg.Store.Path = dir
			b.start()
			for state := ""; state != string(health.Working) && took < 10*time.Second; took += 10 * time.Millisecond {
				time.Sleep(10 * time.Millisecond)
				state, _ = b.part(OBDPart)
			}
			b.stop()
		})
		return took
	}
	assert.Equal(t, memory{}, recall(dir))
	searched := first()
	known := memory{Address: "the virtual car's adapter", Baud: 38400, Protocol: "6", Engine: 0x7E8, Car: rig.VIN}
	assert.Equal(t, known, recall(dir))
	const search = 700 * time.Millisecond // the virtual adapter's
	assert.Less(t, first(), searched-search/2)

	for _, text := range []string{"", "{", `{"protocol":"66"}`, `{"protocol":"0"}`, `{"protocol":"?"}`, `{"baud":-1}`, `[]`, `{"protocol":6}`,
		`{"engine":-1}`, `{"engine":4294967296}`, `{"car":1}`} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, MemoryFile), []byte(text), 0o600))
		assert.Equal(t, memory{}, recall(dir), text)
	}
	assert.InDelta(t, searched.Seconds(), first().Seconds(), search.Seconds()/2)
	assert.Equal(t, known, recall(dir))
}

func TestRatesFor(t *testing.T) {
	usb := config.Adapter{Address: "/dev/ttyUSB0", Baud: 57600, RaiseBaud: 500000}
	for _, row := range []struct {
		name    string
		adapter config.Adapter
		known   memory
		want    []int
	}{
		{"as configured, then as raised, then the usual ones", usb, memory{}, []int{57600, 500000, 38400, 115200, 9600, 230400, 19200}},
		{"what worked the last time first", usb, memory{Address: usb.Address, Baud: 9600}, []int{9600, 57600, 500000, 38400, 115200, 230400, 19200}},
		{"another adapter's rate says nothing", usb, memory{Address: "/dev/ttyUSB1", Baud: 9600}, []int{57600, 500000, 38400, 115200, 9600, 230400, 19200}},
		{"TCP has none", config.Adapter{Address: "tcp://192.168.0.10:35000", Baud: 38400}, memory{}, []int{38400}},
	} {
		assert.Equal(t, row.want, ratesFor(row.adapter, row.known), row.name)
	}
}
