package port

import (
	"os"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"github.com/creack/pty"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The files and what they take: Documentation/ABI/testing/sysfs-bus-usb of the kernel, from memory.
func TestQuicken(t *testing.T) {
	sys := t.TempDir()
	dir := filepath.Join(sys, "bus", "usb-serial", "devices", "ttyUSB0")
	require.NoError(t, os.MkdirAll(dir, 0o755))
	timer, event := filepath.Join(dir, "latency_timer"), filepath.Join(dir, "event_char")
	require.NoError(t, os.WriteFile(timer, nil, 0o644))
	require.NoError(t, os.WriteFile(event, nil, 0o200))
	quicken(sys, "ttyUSB0")
	for file, want := range map[string]string{timer: "1", event: "0x13e"} {
		require.NoError(t, os.Chmod(file, 0o600))
		got, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}

	// Where there is nothing of the kind nothing is made.
	require.NoError(t, os.Remove(event))
	quicken(sys, "ttyUSB0")
	quicken(sys, "ttyUSB1")
	assert.NoFileExists(t, event)
	assert.NoDirExists(t, filepath.Join(filepath.Dir(dir), "ttyUSB1"))
}

// Every opening of a line asks its driver, before the library has the device.
func TestOpeningAsksForLowLatency(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer master.Close()
	defer slave.Close()
	fd, err := unix.Open(slave.Name(), unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	var asked []string
	l := &serialLink{file: os.NewFile(uintptr(fd), slave.Name()), hurry: func(of int, name string) {
		assert.Equal(t, fd, of)
		asked = append(asked, name)
	}}
	require.NoError(t, l.setUp(fd, slave.Name(), 38400))
	require.NoError(t, l.Close())
	assert.Equal(t, []string{filepath.Base(slave.Name())}, asked)
}

// What the driver of a USB bridge is asked: its settings as they are, with the wish added. The calls and the flag are
// those of the kernel's include/uapi/asm-generic/ioctls.h and linux/tty_flags.h, from memory.
func TestAskLowLatency(t *testing.T) {
	const get, set, lowLatency = 0x541E, 0x541F, 0x2000
	for _, row := range []struct {
		name   string
		device string
		flags  int32
		fails  bool
		want   []int32 // flags that were set
		calls  int
	}{
		{"a bridge that waits", "ttyUSB0", 0x40, false, []int32{0x40 | lowLatency}, 2},
		{"one that does not", "ttyUSB0", lowLatency, false, nil, 1},
		{"one whose driver knows nothing of it", "ttyUSB0", 0, true, nil, 1},
		{"a line of the board's own", "ttyS0", 0, false, nil, 0},
		{"a device without a line behind it", "ttyACM0", 0, false, nil, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			var wished []int32
			calls := 0
			askLowLatency(7, row.device, func(fd int, request uintptr, s *serialStruct) error {
				calls++
				assert.Equal(t, 7, fd)
				switch {
				case row.fails:
					return unix.ENOTTY
				case request == get:
					s.flags, s.closeDelay = row.flags, 50
				case request == set:
					assert.EqualValues(t, 50, s.closeDelay, "the rest stays")
					wished = append(wished, s.flags)
				default:
					t.Errorf("request %#x", request)
				}
				return nil
			})
			assert.Equal(t, row.want, wished)
			assert.Equal(t, row.calls, calls)
		})
	}
}

// The kernel's structure is 72 bytes where pointers have 8, and 60 where they have 4.
func TestSerialStruct(t *testing.T) {
	want := map[uintptr]uintptr{8: 72, 4: 60}[unsafe.Sizeof(uintptr(0))]
	assert.Equal(t, want, unsafe.Sizeof(serialStruct{}))
}

// A pulse on a line of our own way of opening; a pseudo terminal takes it without effect.
func TestPulse(t *testing.T) {
	master, slave, err := pty.Open()
	require.NoError(t, err)
	defer master.Close()
	defer slave.Close()
	p, err := Open(t.Context(), slave.Name(), Options{})
	require.NoError(t, err)
	defer p.Close()
	require.ErrorIs(t, p.Pulse(time.Millisecond), ErrNoRate)
	p.paced = true
	require.NoError(t, p.Pulse(time.Millisecond))
	require.NoError(t, p.Close())
	require.ErrorIs(t, p.Pulse(time.Millisecond), ErrClosed)
}
