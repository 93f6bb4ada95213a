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
