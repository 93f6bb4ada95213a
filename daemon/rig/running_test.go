//go:build linux

package rig

import (
	"bufio"
	"context"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// A car over real files: a dialogue through the tty, a changing value through a held descriptor, and an unplugged
// adapter whose converter goes on.
func TestStart(t *testing.T) {
	c := New(Demo(20*time.Second, 2))
	r, err := c.Start(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer r.Close()

	tty, err := os.OpenFile(r.Adapter, os.O_RDWR, 0)
	require.NoError(t, err)
	defer tty.Close()
	ask := func(line string) string {
		_, err := io.WriteString(tty, line+"\r")
		require.NoError(t, err)
		var heard []byte
		buf := make([]byte, 64)
		for !strings.HasSuffix(string(heard), ">") {
			n, err := tty.Read(buf)
			require.NoError(t, err)
			heard = append(heard, buf[:n]...)
		}
		return string(heard)
	}
	require.Equal(t, "ATE0\rOK\r\r>", ask("ATE0"))
	require.Equal(t, "OK\r\r>", ask("ATTP6"))
	heard := ask("01001")
	assert.Contains(t, heard, "41 00 ")
	require.NotEmpty(t, c.Truth().OBD())

	raw, err := os.Open(filepath.Join(r.Device, "in_voltage0_raw"))
	require.NoError(t, err)
	defer raw.Close()
	read := func() string {
		buf := make([]byte, 16)
		n, _ := raw.ReadAt(buf, 0)
		return string(buf[:n])
	}
	before := read()
	require.Len(t, before, 8)
	deadline := time.Now().Add(10 * time.Second)
	for read() == before {
		require.True(t, time.Now().Before(deadline), "the value never changed")
	}

	require.NoError(t, r.Unplug())
	_, err = tty.Read(make([]byte, 1))
	require.Error(t, err)
	before = read()
	for read() == before {
		require.True(t, time.Now().Before(deadline), "the converter stopped with the adapter")
	}
	require.NoError(t, r.Close())
	require.NoError(t, r.Close())
}

// An adapter that is pulled out hangs up; plugged in again it is another node behind the same link, with the settings of
// a power-up; another program can be quicker.
func TestReplug(t *testing.T) {
	r, err := New(Options{Length: 10 * time.Second}).Start(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer r.Close()
	require.ErrorContains(t, r.Replug(), "it is plugged in")
	ask := func() string {
		tty, err := os.OpenFile(r.Adapter, os.O_RDWR, 0)
		require.NoError(t, err)
		defer tty.Close()
		_, err = io.WriteString(tty, "ATE0\r")
		require.NoError(t, err)
		var heard []byte
		for !strings.HasSuffix(string(heard), ">") {
			buf := make([]byte, 64)
			n, err := tty.Read(buf)
			require.NoError(t, err)
			heard = append(heard, buf[:n]...)
		}
		return string(heard)
	}
	node := func() string {
		path, err := os.Readlink(r.Adapter)
		require.NoError(t, err)
		return path
	}
	first := node()
	assert.Equal(t, "ATE0\rOK\r\r>", ask())
	assert.Equal(t, "OK\r\r>", ask(), "closing the tty is not pulling the plug")

	require.NoError(t, r.Unplug())
	require.NoError(t, r.Unplug(), "pulling it twice")
	require.NoFileExists(t, r.Adapter)
	require.NoError(t, r.Replug())
	assert.NotEqual(t, first, node())
	assert.Equal(t, "ATE0\rOK\r\r>", ask(), "it echoes as after a power-up")

	require.NoError(t, r.Unplug())
	release, err := r.ReplugTaken()
	require.NoError(t, err)
	tty, err := os.OpenFile(r.Adapter, os.O_RDWR, 0)
	require.NoError(t, err)
	defer tty.Close()
	require.ErrorIs(t, unix.Flock(int(tty.Fd()), unix.LOCK_EX|unix.LOCK_NB), unix.EWOULDBLOCK)
	require.NoError(t, release())
	require.NoError(t, unix.Flock(int(tty.Fd()), unix.LOCK_EX|unix.LOCK_NB))
	require.NoError(t, r.Close())
	require.ErrorContains(t, r.Replug(), "the car has ended")
}

// Over TCP the same: the connection breaks, nobody listens, and the same port answers again.
func TestStartTCP(t *testing.T) {
	r, err := New(Options{Length: 10 * time.Second}).StartTCP(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer r.Close()
	address := strings.TrimPrefix(r.Adapter, "tcp://")
	ask := func() net.Conn {
		c, err := net.Dial("tcp", address)
		require.NoError(t, err)
		_, err = io.WriteString(c, "ATI\r")
		require.NoError(t, err)
		heard, err := bufio.NewReader(c).ReadString('>')
		require.NoError(t, err)
		assert.Contains(t, heard, "ELM327")
		return c
	}
	require.NoError(t, ask().Close())
	c := ask() // one host after the other
	defer c.Close()
	require.NoError(t, r.Unplug())
	_, err = io.ReadAll(c)
	assert.NotErrorIs(t, err, os.ErrDeadlineExceeded)
	_, err = net.Dial("tcp", address)
	require.ErrorIs(t, err, syscall.ECONNREFUSED)
	require.NoError(t, r.Replug())
	require.NoError(t, ask().Close())
}

// With a strict rate the adapter and a host at another rate hear noise from each other.
func TestStrictBaud(t *testing.T) {
	r, err := New(Options{Length: 10 * time.Second, Baud: 115200, StrictBaud: true}).Start(t.Context(), t.TempDir())
	require.NoError(t, err)
	defer r.Close()
	tty, err := os.OpenFile(r.Adapter, os.O_RDWR, 0)
	require.NoError(t, err)
	defer tty.Close()
	raw, err := tty.SyscallConn() // Fd would make reads block for good
	require.NoError(t, err)
	rate := func(to uint32) {
		require.NoError(t, raw.Control(func(fd uintptr) {
			s, err := unix.IoctlGetTermios(int(fd), unix.TCGETS2)
			require.NoError(t, err)
			s.Cflag = s.Cflag&^unix.CBAUD | unix.BOTHER
			s.Ispeed, s.Ospeed = to, to
			require.NoError(t, unix.IoctlSetTermios(int(fd), unix.TCSETS2, s))
		}))
	}
	require.NoError(t, tty.SetDeadline(time.Now().Add(time.Minute)))
	rate(38400)
	_, err = io.WriteString(tty, "ATI\r")
	require.NoError(t, err)
	buf := make([]byte, 64)
	n, err := tty.Read(buf) // its echo
	require.NoError(t, err)
	for _, b := range buf[:n] {
		assert.GreaterOrEqual(t, b, byte(0x80))
	}
	rate(115200)
	var heard strings.Builder
	for began := time.Now(); !strings.Contains(heard.String(), "ELM327"); {
		require.Less(t, time.Since(began), time.Minute, "heard %q", heard.String())
		// What comes while it still answers the noise is lost on the adapter, so it is asked again.
		_, err = io.WriteString(tty, "\rATI\r")
		require.NoError(t, err)
		require.NoError(t, tty.SetReadDeadline(time.Now().Add(time.Second)))
		for err == nil && !strings.Contains(heard.String(), "ELM327") {
			n, err = tty.Read(buf)
			heard.Write(buf[:n])
		}
		if err != nil {
			require.ErrorIs(t, err, os.ErrDeadlineExceeded)
		}
	}
}

func TestStartEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	r, err := New(Options{Length: 10 * time.Second}).Start(ctx, t.TempDir())
	require.NoError(t, err)
	cancel()
	require.NoError(t, r.Wait())
	require.NoError(t, r.Close())

	_, err = New(Options{Length: 10 * time.Second}).Start(t.Context(), filepath.Join(r.Device, "name"))
	require.ErrorContains(t, err, "starting the virtual car")
}

// The configuration text must be TOML with the keys and values of this car.
func TestConfig(t *testing.T) {
	var got map[string]any
	require.NoError(t, toml.Unmarshal([]byte(config("/dev/pts/7", 38400, "/tmp/x/iio:device0", "/tmp/x/sessions")), &got))
	assert.Equal(t, map[string]any{
		"adapter": map[string]any{"address": "/dev/pts/7", "baud": int64(38400)},
		"analog": []any{map[string]any{
			"name": "wideband", "kind": "wideband", "device": "/tmp/x/iio:device0", "channel": "voltage0", "divider": 1.5,
			"low": map[string]any{"volts": 0.5, "lambda": 0.65}, "high": map[string]any{"volts": 4.5, "lambda": 1.35},
			"warmup": map[string]any{"volts": 5.0}, "rate": int64(100),
		}},
		"fuel":  map[string]any{"name": "E10"},
		"store": map[string]any{"path": "/tmp/x/sessions"},
	}, got)
	assert.NotContains(t, config("/dev/pts/7", 38400, "/tmp/x", ""), "store")
}

// In a bubble the converter's files follow the drive too.
func TestRunADCInABubble(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		o := Demo(30*time.Second, 3)
		o.RefreshRate = 250
		c := New(o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- c.RunADC(ctx, dir) }()
		time.Sleep(time.Millisecond)
		f, err := os.Open(filepath.Join(dir, "iio:device0", "in_voltage0_raw"))
		require.NoError(t, err)
		defer f.Close()
		buf := make([]byte, 8)
		for range 250 {
			_, err := f.ReadAt(buf, 0)
			require.NoError(t, err)
			at := time.Since(c.Truth().Began()).Truncate(4 * time.Millisecond)
			require.Equal(t, c.Truth().Code(at), number(t, buf))
			time.Sleep(100 * time.Millisecond)
		}
		cancel()
		require.NoError(t, <-done)
	})
}

func number(t *testing.T, b []byte) (n int32) {
	t.Helper()
	sign := int32(1)
	for _, c := range strings.TrimSpace(string(b)) {
		if c == '-' {
			sign = -1
			continue
		}
		n = n*10 + c - '0'
	}
	return sign * n
}
