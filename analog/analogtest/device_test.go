package analogtest

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func lay(t *testing.T, o Options) *Device {
	t.Helper()
	d, err := Lay(filepath.Join(t.TempDir(), "device0"), o)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, d.Close()) })
	return d
}

func attribute(t *testing.T, d *Device, name string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(d.Path(), name))
	require.NoError(t, err)
	return string(b)
}

// Names and number formats: the kernel's Documentation/ABI/testing/sysfs-bus-iio and its industrialio-core.c.
func TestLayout(t *testing.T) {
	d := lay(t, Options{Name: "ads1015", Channels: []Channel{{}, {OffsetCodes: -12, Rate: -1, ScaleMillivolts: 3}, {Name: "voltage7", SharedScale: true, ScaleMillivolts: 0.1875}}})
	assert.Equal(t, "ads1015\n", attribute(t, d, "name"))
	assert.Equal(t, "      0\n", attribute(t, d, "in_voltage0_raw"))
	assert.Equal(t, "0.125000000\n", attribute(t, d, "in_voltage0_scale"))
	assert.Equal(t, "860\n", attribute(t, d, "in_voltage0_sampling_frequency"))
	assert.NoFileExists(t, filepath.Join(d.Path(), "in_voltage0_offset"))
	assert.Equal(t, "-12\n", attribute(t, d, "in_voltage1_offset"))
	assert.NoFileExists(t, filepath.Join(d.Path(), "in_voltage1_sampling_frequency"))
	assert.Equal(t, "0.187500000\n", attribute(t, d, "in_voltage_scale"))
	assert.NoFileExists(t, filepath.Join(d.Path(), "in_voltage7_scale"))
}

// A reader that keeps its descriptor must see every new value whole, as with sysfs, and never half of one.
func TestHeldDescriptorSeesNewValues(t *testing.T) {
	d := lay(t, Options{})
	f, err := os.Open(filepath.Join(d.Path(), "in_voltage0_raw"))
	require.NoError(t, err)
	defer f.Close()
	buf := make([]byte, 64)
	for _, code := range []int32{0, 1, -1, 26666, -32768, 32767, 7} {
		require.NoError(t, d.Set("voltage0", code))
		n, err := f.ReadAt(buf, 0)
		require.ErrorIs(t, err, io.EOF)
		got, err := strconv.Atoi(strings.TrimSpace(string(buf[:n])))
		require.NoError(t, err)
		assert.Equal(t, int(code), got)
		assert.Equal(t, 8, n)
	}

	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
				_ = d.Set("voltage0", int32(11111+i%2*11111))
			}
		}
	}()
	for range 2000 {
		n, _ := f.ReadAt(buf, 0)
		got := strings.TrimSpace(string(buf[:n]))
		if got != "7" && got != "11111" && got != "22222" {
			assert.Fail(t, "torn value", "%q", got)
			break
		}
	}
	close(stop)
	<-done
}

func TestFaults(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("an open file cannot be removed there")
	}
	d := lay(t, Options{Channels: []Channel{{}, {SharedScale: true}}})
	path := filepath.Join(d.Path(), "in_voltage0_raw")
	held, err := os.Open(path)
	require.NoError(t, err)
	defer held.Close()
	empty := func() {
		t.Helper()
		n, err := held.ReadAt(make([]byte, 8), 0)
		assert.Zero(t, n)
		assert.ErrorIs(t, err, io.EOF)
	}

	require.NoError(t, d.Freeze("voltage0", true))
	require.NoError(t, d.Set("voltage0", 5))
	assert.Equal(t, "      0\n", attribute(t, d, "in_voltage0_raw"))
	require.NoError(t, d.Freeze("voltage0", false))
	assert.Equal(t, "      5\n", attribute(t, d, "in_voltage0_raw"))

	require.NoError(t, d.Break("voltage0"))
	empty()
	_, err = os.ReadFile(path)
	require.Error(t, err)
	require.NoError(t, d.Set("voltage0", 6))
	require.NoError(t, d.Mend("voltage0"))
	assert.Equal(t, "      6\n", attribute(t, d, "in_voltage0_raw"))

	require.NoError(t, d.DropScale("voltage0"))
	assert.NoFileExists(t, filepath.Join(d.Path(), "in_voltage0_scale"))
	require.NoError(t, d.DropScale("voltage1"))
	assert.NoFileExists(t, filepath.Join(d.Path(), "in_voltage_scale"))

	require.NoError(t, d.Vanish())
	assert.NoDirExists(t, d.Path())
	assert.ErrorIs(t, d.Set("voltage0", 7), ErrGone)
	require.NoError(t, d.Return())
	assert.Equal(t, "      6\n", attribute(t, d, "in_voltage0_raw"))
	assert.Equal(t, "0.125000000\n", attribute(t, d, "in_voltage0_scale"))
}

func TestRefused(t *testing.T) {
	d := lay(t, Options{})
	assert.ErrorContains(t, d.Set("voltage9", 1), "voltage9")
	assert.ErrorContains(t, d.Set("voltage0", 10_000_000), "seven places")
	assert.ErrorContains(t, d.Refresh(t.Context(), 0, nil), "between 0 and 10000")
	_, err := Lay(filepath.Join(d.Path(), "name", "below"), Options{})
	assert.ErrorContains(t, err, "laying out a virtual device")
}

// Codes of a 16-bit converter at ±6.144 V: the ADS1115 data sheet's 187.5 µV a code and 0x7FFF at full scale; 3.3 V
// over 10 bits for a converter without a sign.
func TestCode(t *testing.T) {
	for _, c := range []struct {
		name  string
		a     ADC
		volts float64
		want  int32
	}{
		{"full scale", ADC{ScaleMillivolts: 0.1875}, 6.144, 0x7FFF},
		{"one code", ADC{ScaleMillivolts: 0.1875}, 187.5e-6, 1},
		{"below full scale", ADC{ScaleMillivolts: 0.1875}, -7, -32768},
		{"divider", ADC{Divider: 1.5}, 5, 26667},
		{"no sign", ADC{ScaleMillivolts: 3300.0 / 1024, Bits: 10, Unsigned: true}, 3.3, 1023},
		{"no sign, negative", ADC{ScaleMillivolts: 3300.0 / 1024, Bits: 10, Unsigned: true}, -0.1, 0},
		{"offset", ADC{ScaleMillivolts: 1, OffsetCodes: -100}, 1, 1100},
	} {
		t.Run(c.name, func(t *testing.T) { assert.Equal(t, c.want, c.a.Code(c.volts)) })
	}
}

func TestWaveforms(t *testing.T) {
	w := Step(time.Second, Constant(5), Ramp(1, 3, 2*time.Second))
	for at, want := range map[time.Duration]float64{0: 5, 999 * time.Millisecond: 5, time.Second: 1, 2 * time.Second: 2, 9 * time.Second: 3} {
		assert.InDelta(t, want, w(at), 1e-9, at)
	}
	assert.InDelta(t, 2.5, Sine(2, 0.5, 0.25)(time.Second), 1e-9)
	noisy := Noisy(Constant(1), 0.1, 7)
	assert.Equal(t, noisy(5), noisy(5))
	var sum, squares float64
	const n = 4000
	for i := range n {
		v := noisy(time.Duration(i)*time.Millisecond) - 1
		sum, squares = sum+v, squares+v*v
	}
	assert.InDelta(t, 0, sum/n, 0.01)
	assert.InDelta(t, 0.01, squares/n, 0.001)
}

func TestPlayKeepsItsGrid(t *testing.T) {
	d := lay(t, Options{})
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second-time.Millisecond)
		defer cancel()
		var asked []time.Duration
		w := func(at time.Duration) float64 {
			asked = append(asked, at)
			return float64(len(asked))
		}
		require.NoError(t, d.Play(ctx, "voltage0", ADC{ScaleMillivolts: 1}, w, 250))
		require.Len(t, asked, 250)
		for i, at := range asked {
			assert.Equal(t, time.Duration(i)*4*time.Millisecond, at)
		}
	})
	assert.Equal(t, "  32767\n", attribute(t, d, "in_voltage0_raw"), "250 V, clipped")
}

func BenchmarkSet(b *testing.B) {
	d, err := Lay(filepath.Join(b.TempDir(), "device0"), Options{})
	require.NoError(b, err)
	defer d.Close()
	for i := 0; b.Loop(); i++ {
		_ = d.Set("voltage0", int32(i%20000))
	}
}
