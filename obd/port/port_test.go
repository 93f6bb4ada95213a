package port_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd/port"
)

func TestOpenSaysWhatWouldBeRight(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("paths of another kind")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	refusing := taken.Addr().String()
	require.NoError(t, taken.Close())

	for _, tt := range []struct {
		name, address string
		options       port.Options
		want          error
		says          string
	}{
		{"no device", filepath.Join(dir, "ttyUSB0"), port.Options{}, port.ErrNotFound, "/dev/serial/by-id"},
		{"below a file", filepath.Join(file, "ttyUSB0"), port.Options{}, port.ErrNotFound, "plug it in"},
		{"a file", file, port.Options{}, port.ErrNotSerial, "it is a file; give a serial device such as"},
		{"a directory", dir, port.Options{}, port.ErrNotSerial, "it is a directory"},
		{"a device without a line", os.DevNull, port.Options{}, port.ErrNotSerial, "give a serial device"},
		{"nothing", "", port.Options{}, port.ErrOption, "it is empty"},
		{"an unknown scheme", "udp://1.2.3.4:5", port.Options{}, port.ErrOption, `"tcp://host:port"`},
		{"no TCP port", "tcp://192.168.0.10", port.Options{}, port.ErrOption, `"tcp://192.168.0.10:35000"`},
		{"no host", "tcp://:35000", port.Options{}, port.ErrOption, `"tcp://host:port"`},
		{"a TCP port out of range", "tcp://192.168.0.10:350000", port.Options{}, port.ErrOption, "1 to 65535"},
		{"a negative rate", file, port.Options{Baud: -1}, port.ErrOption, "baud -1"},
		{"nobody listens", "tcp://" + refusing, port.Options{}, port.ErrNotFound, "joined its Wi-Fi"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := port.Open(t.Context(), tt.address, tt.options)
			require.ErrorIs(t, err, tt.want)
			assert.Nil(t, p)
			assert.ErrorContains(t, err, tt.says)
			assert.ErrorContains(t, err, tt.address)
			var e *port.Error
			require.ErrorAs(t, err, &e)
			assert.Equal(t, "open", e.Op)
			assert.Equal(t, tt.address, e.Address)
		})
	}
}

func TestOpenIsBoundByItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, address := range []string{"tcp://127.0.0.1:35000", os.DevNull} {
		_, err := port.Open(ctx, address, port.Options{})
		assert.ErrorIs(t, err, context.Canceled, address)
	}
}

// dial opens a port onto a loopback listener and returns both ends.
func dial(t *testing.T) (*port.Port, net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	p, err := port.Open(t.Context(), "tcp://"+l.Addr().String(), port.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, p.Close()) })
	far, err := l.Accept()
	require.NoError(t, err)
	t.Cleanup(func() { far.Close() })
	return p, far
}

func TestTCP(t *testing.T) {
	t.Run("bytes go both ways unchanged", func(t *testing.T) {
		p, far := dial(t)
		exchange(t, p, far)
	})
	t.Run("closing wakes a reader", func(t *testing.T) {
		p, _ := dial(t)
		closeWakesReader(t, p)
	})
	t.Run("the other end closes", func(t *testing.T) {
		p, far := dial(t)
		require.NoError(t, far.Close())
		_, err := p.Read(make([]byte, 8))
		require.ErrorIs(t, err, port.ErrGone)
		assert.NotErrorIs(t, err, port.ErrClosed)
	})
	t.Run("after closing", func(t *testing.T) {
		p, _ := dial(t)
		afterClose(t, p)
	})
}

// exchange sends every byte value both ways.
func exchange(t *testing.T, p *port.Port, far io.ReadWriter) {
	t.Helper()
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	n, err := p.Write(all)
	require.NoError(t, err)
	assert.Equal(t, len(all), n)
	got := make([]byte, len(all))
	_, err = io.ReadFull(far, got)
	require.NoError(t, err)
	assert.Equal(t, all, got)

	_, err = far.Write(all)
	require.NoError(t, err)
	_, err = io.ReadFull(p, got)
	require.NoError(t, err)
	assert.Equal(t, all, got)

	n, err = p.Read(nil)
	assert.NoError(t, err, "a read of nothing does not wait")
	assert.Zero(t, n)
}

func closeWakesReader(t *testing.T, p *port.Port) {
	t.Helper()
	failed := make(chan error)
	go func() {
		_, err := p.Read(make([]byte, 8))
		failed <- err
	}()
	require.NoError(t, p.Close())
	select {
	case err := <-failed:
		require.ErrorIs(t, err, port.ErrClosed)
		assert.NotErrorIs(t, err, port.ErrGone)
	case <-time.After(10 * time.Second):
		t.Fatal("the reader still waits")
	}
}

// afterClose shows that nothing reaches the system after Close, even when another file was given the descriptor.
func afterClose(t *testing.T, p *port.Port) {
	t.Helper()
	require.NoError(t, p.Close())
	require.NoError(t, p.Close(), "closing again")
	// The lowest free numbers are given out first, so one of these files has the port's.
	var files []*os.File
	for range 16 {
		f, err := os.OpenFile(filepath.Join(t.TempDir(), "innocent"), os.O_RDWR|os.O_CREATE, 0o600)
		require.NoError(t, err)
		defer f.Close()
		_, err = f.WriteString("kept")
		require.NoError(t, err)
		files = append(files, f)
	}
	_, err := p.Write([]byte("STALE"))
	require.ErrorIs(t, err, port.ErrClosed)
	_, err = p.Read(make([]byte, 8))
	require.ErrorIs(t, err, port.ErrClosed)
	for _, f := range files {
		b, err := os.ReadFile(f.Name())
		require.NoError(t, err)
		assert.Equal(t, "kept", string(bytes.TrimSpace(b)))
	}
	var e *port.Error
	_, err = p.Write(nil)
	require.True(t, errors.As(err, &e))
	assert.Equal(t, "write", e.Op)
}
