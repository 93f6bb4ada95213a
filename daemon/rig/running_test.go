//go:build linux

package rig

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
