package iio

import (
	"errors"
	"math"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
)

// What Linux's drivers do that the kernel's own documentation does not lead to expect, by their sources (Linux 6.12, drivers/iio/adc:
// mcp3422.c, ti-ads1015.c, mcp320x.c, max1363.c), and the configured override for each.
func TestDriversTraps(t *testing.T) {
	for _, row := range []struct {
		name      string
		files     map[string]string
		above     map[string]string // of the I²C device that the converter hangs on
		options   Options
		scale     float64
		period    time.Duration
		low, high int32
		notes     int
	}{
		{"mcp3422 gives volts a code, and the bus address for a name",
			map[string]string{"name": "1-0068\n", "in_voltage0_scale": "0.001000000\n", "in_voltage_sampling_frequency": "240\n"},
			map[string]string{"name": "mcp3422\n"}, Options{}, 1, time.Second / 240, -2048, 2047, 1},
		{"the same at 18 bits and the highest gain",
			map[string]string{"name": "1-0068\n", "in_voltage0_scale": "0.000001953\n", "in_voltage_sampling_frequency": "3\n"},
			map[string]string{"name": "mcp3424\n"}, Options{}, 0.001953, time.Second / 3, -131072, 131071, 1},
		{"a part of the family whose driver says millivolts after all",
			map[string]string{"name": "mcp3422\n", "in_voltage0_scale": "0.0625\n"},
			nil, Options{}, 0.0625, 0, 0, 0, 0},
		{"another part with a small scale is believed",
			map[string]string{"name": "ad7124\n", "in_voltage0_scale": "0.000298023\n"},
			nil, Options{}, 0.000298023, 0, 0, 0, 0},
		{"mcp3422 with a scale given by hand",
			map[string]string{"name": "mcp3422\n", "in_voltage0_scale": "0.001000000\n"},
			nil, Options{ScaleMillivolts: 1.002}, 1.002, 0, -2048, 2047, 0},
		{"mcp3422 at 14 bits, told by its rate: the scale may be that of 12 bits with a gain of 4",
			map[string]string{"name": "mcp3426\n", "in_voltage0_scale": "0.000250000\n", "in_voltage_sampling_frequency": "60\n"},
			nil, Options{}, 0.25, time.Second / 60, -8192, 8191, 1},
		{"mcp3422 at 16 bits with a gain of 8",
			map[string]string{"name": "mcp3428\n", "in_voltage0_scale": "0.000007812\n", "in_voltage_sampling_frequency": "15\n"},
			nil, Options{}, 0.007812, time.Second / 15, -32768, 32767, 1},
		{"the same, told by the scales that can be chosen",
			map[string]string{"name": "mcp3428\n", "in_voltage0_scale": "0.000007812\n", "in_voltage_scale_available": "0.000062500 0.000031250 0.000015625 0.000007812\n"},
			nil, Options{}, 0.007812, 0, -32768, 32767, 1},
		{"mcp3422 whose scale alone leaves open what it is",
			map[string]string{"name": "mcp3421\n", "in_voltage0_scale": "0.000062500\n"},
			nil, Options{}, 0.0625, 0, 0, 0, 1},
		{"ads1015 for a 12-bit part, told by its scales: 0.125 mV may be either's",
			map[string]string{"name": "ads1015\n", "in_voltage0_scale": "0.125000000\n", "scale_available": "3.000000000 2.000000000 1.000000000 0.500000000 0.250000000 0.125000000\n"},
			nil, Options{}, 0.125, 0, -2048, 2047, 0},
		{"ads1015 for a 16-bit part, told by its scales",
			map[string]string{"name": "ads1015\n", "in_voltage0_scale": "0.125000000\n", "scale_available": "0.187500000 0.125000000 0.062500000 0.031250000 0.015625000 0.007812500\n"},
			nil, Options{}, 0.125, 0, -32768, 32767, 0},
		{"ads1015 told by the type of a scan's element",
			map[string]string{"name": "ads1015\n", "in_voltage0_scale": "1.000000000\n", "scan_elements/in_voltage0_type": "le:s12/16>>4\n"},
			nil, Options{}, 1, 0, -2048, 2047, 0},
		{"ads1015 that tells nothing: the range is not known",
			map[string]string{"name": "ads1015\n", "in_voltage0_scale": "0.125000000\n"},
			nil, Options{}, 0.125, 0, 0, 0, 0},
		{"an SPI converter of 10 bits",
			map[string]string{"name": "mcp3008\n", "in_voltage_scale": "3.222656250\n"},
			nil, Options{}, 3.22265625, 0, 0, 1023, 0},
		{"a SoC's converter of 12 bits",
			map[string]string{"name": "TI-am335x-adc.0.auto\n", "in_voltage_scale": "0.439453125\n", "scan_elements/in_voltage0_type": "le:u12/16>>0\n"},
			nil, Options{}, 0.439453125, 0, 0, 4095, 0},
		{"a rate that the driver does not tell, given by hand",
			map[string]string{"name": "x\n", "in_voltage_scale": "1\n"},
			nil, Options{ConversionRate: 128}, 1, time.Second / 128, 0, 0, 0},
		{"a rate given by hand before the driver's",
			map[string]string{"name": "x\n", "in_voltage_scale": "1\n", "sampling_frequency": "1600\n"},
			nil, Options{ConversionRate: 860}, 1, time.Second / 860, 0, 0, 0},
		{"a rate given by hand that is none",
			map[string]string{"name": "x\n", "in_voltage_scale": "1\n", "sampling_frequency": "1600\n"},
			nil, Options{ConversionRate: math.Inf(1)}, 1, time.Second / 1600, 0, 0, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			row.files["in_voltage0_raw"] = "1\n"
			dir := tree(t, row.files)
			for name, text := range row.above {
				require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(dir), name), []byte(text), 0o600))
			}
			c, err := Open(dir, "voltage0", row.options)
			require.NoError(t, err)
			defer c.Close()
			assert.InDelta(t, row.scale, c.Scale(), 1e-12)
			assert.Equal(t, row.period, c.Period())
			low, high, ok := c.Range()
			assert.Equal(t, []int32{row.low, row.high}, []int32{low, high})
			assert.Equal(t, row.high != 0, ok)
			assert.Len(t, c.Notes(), row.notes)
		})
	}
}

// The mcp3422 part is found by its driver too, through a link to it as sysfs has one, and by a device that is itself a link.
func TestThePartIsFoundByItsDriver(t *testing.T) {
	dir := tree(t, map[string]string{"name": "1-0068\n", "in_voltage0_raw": "1\n", "in_voltage0_scale": "0.000250000\n"})
	drivers := filepath.Join(t.TempDir(), "mcp3422")
	require.NoError(t, os.Mkdir(drivers, 0o700))
	require.NoError(t, os.Symlink(drivers, filepath.Join(filepath.Dir(dir), "driver")))
	link := filepath.Join(t.TempDir(), "iio:device0")
	require.NoError(t, os.Symlink(dir, link))
	c, err := Open(link, "voltage0", Options{})
	require.NoError(t, err)
	defer c.Close()
	assert.InDelta(t, 0.25, c.Scale(), 1e-12)
	require.Len(t, c.Notes(), 1)
	assert.Contains(t, c.Notes()[0], "volts a code")
}

func TestLabels(t *testing.T) {
	files := map[string]string{"in_voltage0_raw": "1\n", "in_voltage1_raw": "1\n", "in_voltage_scale": "1\n", "label": "dash\n", "in_voltage1_label": "wideband\n"}
	dir := tree(t, files)
	for channel, want := range map[string]string{"voltage0": "dash", "voltage1": "wideband"} {
		c, err := Open(dir, channel, Options{})
		require.NoError(t, err)
		assert.Equal(t, want, c.Label())
		require.NoError(t, c.Close())
	}
	c, err := Open(tree(t, map[string]string{"in_voltage0_raw": "1\n", "in_voltage_scale": "1\n"}), "voltage0", Options{})
	require.NoError(t, err)
	defer c.Close()
	assert.Empty(t, c.Label())
}

// The errors that drivers give in the middle of a drive. Each says in one sentence what it means, and what a caller decides by.
func TestErrorsOfDrivers(t *testing.T) {
	for _, row := range []struct {
		errno syscall.Errno
		is    error
		not   error
		says  string
	}{
		{syscall.EIO, syscall.EIO, analog.ErrNotReady, "cannot be read"},
		{syscall.ENODEV, syscall.ENODEV, analog.ErrNotReady, "was taken away"},
		{syscall.ENXIO, syscall.ENXIO, analog.ErrNotReady, "was taken away"},
		{syscall.EBUSY, ErrBusy, analog.ErrNotReady, "while the converter's buffer runs"},
		{syscall.EAGAIN, analog.ErrNotReady, ErrBusy, "no conversion ready"},
		{syscall.ETIMEDOUT, analog.ErrNotReady, ErrBusy, "no conversion ready"},
		{syscall.EINVAL, syscall.EINVAL, analog.ErrNotReady, "cannot be read"},
	} {
		t.Run(row.errno.Error(), func(t *testing.T) {
			c, err := Open(tree(t, map[string]string{"in_voltage0_raw": "7\n", "in_voltage_scale": "1\n"}), "voltage0", Options{})
			require.NoError(t, err)
			defer c.Close()
			read, fails := c.pread, true
			c.pread = func(f *os.File, fd uintptr, b []byte) (int, error) {
				if fails {
					return 0, row.errno
				}
				return read(f, fd, b)
			}
			_, err = c.Read()
			require.ErrorIs(t, err, row.is)
			require.ErrorIs(t, err, row.errno, "the system's error stays in sight")
			assert.False(t, errors.Is(err, row.not))
			assert.ErrorContains(t, err, row.says)
			assert.ErrorContains(t, err, c.device)
			assert.NotContains(t, err.Error(), "\n")
			fails = false
			code, err := c.Read()
			require.NoError(t, err, "and the next read works")
			assert.EqualValues(t, 7, code)
		})
	}
}
