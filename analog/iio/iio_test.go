package iio

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
)

// tree lays files out like a converter's directory. A value of "/" makes a directory of that name, whose reading fails even for
// root, as a driver's attribute may.
func tree(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "iio:device0")
	require.NoError(t, os.Mkdir(dir, 0o755))
	for name, text := range files {
		if text == "/" {
			require.NoError(t, os.Mkdir(filepath.Join(dir, name), 0o755))
			continue
		}
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
	}
	return dir
}

func TestOpenFindsAttributes(t *testing.T) {
	for _, row := range []struct {
		name, channel string
		files         map[string]string
		options       Options
		scale, offset float64
		period        time.Duration
		device        string
	}{
		{"a channel's own attributes, as an I²C 16-bit converter has them", "voltage0",
			map[string]string{"name": "ads1015\n", "in_voltage0_raw": "12345\n", "in_voltage0_scale": "0.125000000\n", "in_voltage0_sampling_frequency": "860\n"},
			Options{}, 0.125, 0, time.Second / 860, "ads1015"},
		{"attributes shared by a type, as an SPI 10-bit converter has them", "voltage3",
			map[string]string{"name": "mcp3008\n", "in_voltage3_raw": "512\n", "in_voltage_scale": "3.222656250\n"},
			Options{}, 3.22265625, 0, 0, "mcp3008"},
		{"its own before shared", "voltage0",
			map[string]string{"in_voltage0_raw": "1", "in_voltage0_scale": "2", "in_voltage_scale": "3", "in_voltage0_offset": "-4", "in_voltage_offset": "5", "in_voltage_sampling_frequency": "50", "sampling_frequency": "100"},
			Options{}, 2, -4, 20 * time.Millisecond, "iio:device0"},
		{"shared offset, frequency of the device", "voltage0",
			map[string]string{"in_voltage0_raw": "1", "in_voltage_scale": "3", "in_voltage_offset": " 5.5\n", "sampling_frequency": "128.000000\n"},
			Options{}, 3, 5.5, time.Second / 128, "iio:device0"},
		{"a differential pair", "voltage0-voltage1",
			map[string]string{"in_voltage0-voltage1_raw": "-7\n", "in_voltage-voltage_scale": "0.1875\n", "in_voltage_scale": "9"},
			Options{}, 0.1875, 0, 0, "iio:device0"},
		{"a scale that cannot be read, overridden", "voltage0",
			map[string]string{"in_voltage0_raw": "1", "in_voltage_scale": "/"},
			Options{ScaleMillivolts: 3.2226}, 3.2226, 0, 0, "iio:device0"},
		{"override before the kernel's", "voltage0",
			map[string]string{"in_voltage0_raw": "1", "in_voltage_scale": "0.001"},
			Options{ScaleMillivolts: 1}, 1, 0, 0, "iio:device0"},
		{"a frequency of 0 or none that can be read is unknown", "voltage0",
			map[string]string{"in_voltage0_raw": "1", "in_voltage_scale": "1", "in_voltage_sampling_frequency": "0"},
			Options{}, 1, 0, 0, "iio:device0"},
	} {
		t.Run(row.name, func(t *testing.T) {
			c, err := Open(tree(t, row.files), row.channel, row.options)
			require.NoError(t, err)
			defer func() { assert.NoError(t, c.Close()) }()
			assert.InDelta(t, row.scale, c.Scale(), 1e-12)
			assert.InDelta(t, row.offset, c.Offset(), 1e-12)
			assert.Equal(t, row.period, c.Period())
			assert.Equal(t, row.device, c.Name())
			code, err := c.Read()
			require.NoError(t, err)
			want, err := strconv.Atoi(strings.TrimSpace(row.files["in_"+row.channel+"_raw"]))
			require.NoError(t, err)
			assert.EqualValues(t, want, code)
		})
	}
}

func TestOpenRefuses(t *testing.T) {
	good := map[string]string{"in_voltage0_raw": "1\n", "in_voltage1_raw": "1\n", "in_voltage0-voltage1_raw": "1\n", "in_voltage_scale": "1\n", "name": "x\n"}
	with := func(name, text string) map[string]string {
		files := map[string]string{name: text}
		for n, s := range good {
			if _, ok := files[n]; !ok {
				files[n] = s
			}
		}
		return files
	}
	for _, row := range []struct {
		name, channel string
		files         map[string]string
		is            error
		says          string
	}{
		{"no such channel", "voltage4", good, ErrNoChannel, "has no channel voltage4; it has voltage0, voltage0-voltage1, voltage1"},
		{"a file's name for a channel", "in_voltage0_raw", good, ErrNoChannel, `"in_voltage0_raw" is no channel's name: it is like voltage0`},
		{"a way out of the directory", "../../etc", good, ErrNoChannel, "is no channel's name"},
		{"no channel at all", "voltage0", map[string]string{"name": "bmp280\n"}, ErrNoChannel, "it has none at all, so it is no analog converter"},
		{"no scale file", "voltage0", map[string]string{"in_voltage0_raw": "1"}, ErrNoScale, "give the scale in mV a code"},
		{"a scale that cannot be read", "voltage0", with("in_voltage_scale", "/"), ErrNoScale, "reading in_voltage_scale: is a directory"},
		{"a scale of 0", "voltage0", with("in_voltage_scale", "0\n"), ErrNoScale, "(it is 0)"},
		{"a scale that is no number", "voltage0", with("in_voltage_scale", "many\n"), ErrNoScale, `in_voltage_scale: "many" is no number`},
		{"an offset that is no number", "voltage0", with("in_voltage_offset", "nan"), nil, `the offset of voltage0`},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := Open(tree(t, row.files), row.channel, Options{})
			require.ErrorContains(t, err, row.says)
			assert.NotContains(t, err.Error(), "\n", "one sentence")
			var fault *Error
			require.ErrorAs(t, err, &fault)
			assert.Equal(t, row.channel, fault.Channel)
			if row.is != nil {
				assert.ErrorIs(t, err, row.is)
			}
		})
	}
	t.Run("no such device", func(t *testing.T) {
		_, err := Open(filepath.Join(t.TempDir(), "iio:device7"), "voltage0", Options{})
		require.ErrorIs(t, err, ErrNoDevice)
		assert.ErrorContains(t, err, "there is no converter at ")
	})
	t.Run("a device that is a file", func(t *testing.T) {
		_, err := Open(filepath.Join(tree(t, good), "name"), "voltage0", Options{})
		require.ErrorIs(t, err, ErrNoDevice)
		assert.ErrorContains(t, err, "is no directory")
	})
	t.Run("an override that is no scale", func(t *testing.T) {
		_, err := Open(tree(t, good), "voltage0", Options{ScaleMillivolts: -1})
		require.ErrorIs(t, err, ErrNoScale)
	})
}

// The kernel computes the text anew at each read from offset 0, so an open descriptor sees new values; a file overwritten in
// place does the same.
func TestReadSeesNewCodes(t *testing.T) {
	dir := tree(t, map[string]string{"in_voltage0_raw": "00100\n", "in_voltage_scale": "1"})
	c, err := Open(dir, "voltage0", Options{})
	require.NoError(t, err)
	f, err := os.OpenFile(filepath.Join(dir, "in_voltage0_raw"), os.O_WRONLY, 0)
	require.NoError(t, err)
	defer f.Close()
	for _, want := range []int32{100, 32767, -12} {
		_, err := fmt.Fprintf(f, "%06d", want)
		require.NoError(t, err)
		_, err = f.Seek(0, 0)
		require.NoError(t, err)
		code, err := c.Read()
		require.NoError(t, err)
		assert.Equal(t, want, code)
	}
	require.NoError(t, f.Truncate(0))
	_, err = c.Read()
	assert.ErrorContains(t, err, `gave "", which is no whole number`)

	require.NoError(t, c.Close())
	require.NoError(t, c.Close(), "twice")
	_, err = c.Read()
	require.ErrorIs(t, err, analog.ErrClosed)
}

func TestReadFault(t *testing.T) {
	c, err := Open(tree(t, map[string]string{"in_voltage0_raw": "/", "in_voltage_scale": "1"}), "voltage0", Options{})
	require.NoError(t, err)
	defer c.Close()
	_, err = c.Read()
	require.ErrorContains(t, err, "voltage0 of ")
	var fault *Error
	require.ErrorAs(t, err, &fault)
	assert.False(t, errors.Is(err, analog.ErrClosed) || errors.Is(err, fs.ErrNotExist))
}

func TestCloseWhileReading(t *testing.T) {
	c, err := Open(tree(t, map[string]string{"in_voltage0_raw": "1\n", "in_voltage_scale": "1"}), "voltage0", Options{})
	require.NoError(t, err)
	var readers sync.WaitGroup
	for range 4 {
		readers.Go(func() {
			for {
				if _, err := c.Read(); err != nil {
					assert.ErrorIs(t, err, analog.ErrClosed)
					return
				}
			}
		})
	}
	require.NoError(t, c.Close())
	readers.Wait()
}

var codes = []string{"0", "1\n", "-1\n", "+7", " 42 \n", "2147483647", "-2147483648", "2147483648", "-2147483649",
	"99999999999999999999", "", "-", "+", "1 2", "0x10", "1.5", "--1", "12a", "\x00\x005\x00", "000000000000000000012"}

func TestParseCode(t *testing.T) {
	for _, text := range codes {
		checkCode(t, text)
	}
}

// checkCode holds parseCode against strconv.ParseInt.
func checkCode(t *testing.T, text string) {
	t.Helper()
	got, ok := parseCode([]byte(text))
	want, err := strconv.ParseInt(strings.Trim(text, " \n\t\r\x00"), 10, 32)
	require.Equal(t, err == nil, ok, "%q", text)
	if ok {
		require.EqualValues(t, want, got, "%q", text)
	}
}

func FuzzParseCode(f *testing.F) {
	for _, text := range codes {
		f.Add(text)
	}
	f.Fuzz(checkCode)
}

func FuzzParseNumber(f *testing.F) {
	for _, text := range []string{"0.187500000\n", "-0.5", "1e3", "nan", "inf", "", "3 dB", "0x1p4"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		number, err := parseNumber(text)
		if err == nil && number-number != 0 {
			t.Fatalf("%q gave %v", text, number)
		}
	})
}

func BenchmarkRead(b *testing.B) {
	c, err := Open(tree(b, map[string]string{"in_voltage0_raw": "12345\n", "in_voltage_scale": "1"}), "voltage0", Options{})
	require.NoError(b, err)
	defer c.Close()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Read(); err != nil {
			b.Fatal(err)
		}
	}
}
