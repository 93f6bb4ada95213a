package obdtest

import (
	"bytes"
	"flag"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write the golden files anew")

// engine answers like an engine computer with a few parameters whose bytes never change.
func engine(request []byte, _ time.Time) []byte {
	data := map[byte][]byte{
		0x00: {0xBE, 0x3E, 0xB8, 0x11}, 0x04: {0x3F}, 0x05: {0x44}, 0x0B: {0x21}, 0x0C: {0x17, 0xB8},
		0x0D: {0x28}, 0x0F: {0x3C}, 0x11: {0x2D},
	}
	switch request[0] {
	case 0x01:
		out := []byte{0x41}
		for _, p := range request[1:] {
			if b, ok := data[p]; ok {
				out = append(append(out, p), b...)
			}
		}
		if len(out) > 1 {
			return out
		}
	case 0x03:
		return []byte{0x43, 0x04, 0x01, 0x43, 0x01, 0x96, 0x02, 0x34, 0x02, 0x35}
	case 0x09:
		if len(request) > 1 && request[1] == 2 {
			return append([]byte{0x49, 0x02, 0x01}, "1D4GP00R55B123456"...)
		}
	}
	return nil
}

// gearbox is a second computer that knows its bitmap and the road speed.
func gearbox(request []byte, _ time.Time) []byte {
	switch {
	case bytes.Equal(request, []byte{1, 0}):
		return []byte{0x41, 0x00, 0x80, 0x10, 0x80, 0x00}
	case request[0] == 1 && bytes.IndexByte(request[1:], 0x0D) >= 0:
		return []byte{0x41, 0x0D, 0x28}
	}
	return nil
}

func after(d time.Duration) func() time.Duration { return func() time.Duration { return d } }

// host is the other end of the line.
type host struct {
	t      testing.TB
	stream io.ReadWriter
}

func (h host) write(text string) {
	_, err := io.WriteString(h.stream, text)
	require.NoError(h.t, err)
}

// until reads up to and including end.
func (h host) until(end string) string {
	var heard []byte
	one := make([]byte, 1)
	for !strings.HasSuffix(string(heard), end) {
		_, err := h.stream.Read(one)
		require.NoError(h.t, err, "heard so far: %q", heard)
		heard = append(heard, one[0])
	}
	return string(heard)
}

// ask writes a line and returns everything up to the prompt, and how long that took.
func (h host) ask(line string) (string, time.Duration) {
	start := time.Now()
	h.write(line + "\r")
	heard := h.until(">")
	return heard, time.Since(start)
}

// bench runs f in a bubble with a host on the adapter, set up by a line each of which must be answered with OK.
func bench(t *testing.T, o Options, setup string, f func(t *testing.T, h host, a *Adapter)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		a := New(o)
		stream := a.Dial()
		defer a.Wait()
		defer stream.Close()
		h := host{t, stream}
		for _, line := range strings.Fields(setup) {
			heard, _ := h.ask("AT" + line)
			require.Contains(t, heard, "OK", "AT %s", line)
		}
		f(t, h, a)
	})
}

// golden compares with testdata/name.golden, or writes it.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to make it")
	assert.Equal(t, string(want), got)
}
