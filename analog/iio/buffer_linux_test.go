package iio

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
	"underdash/analog/analogtest"
)

// virtual lays out a device with a buffer. Its files take whatever is written to them, as the kernel's do from root.
func virtual(t *testing.T, channels []analogtest.Channel, o analogtest.BufferOptions) (*analogtest.Device, *analogtest.Buffer) {
	t.Helper()
	d, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{Name: "ads1015", Channels: channels})
	require.NoError(t, err)
	b, err := d.OfferBuffer(o)
	require.NoError(t, err)
	t.Cleanup(func() {
		assert.NoError(t, errors.Join(b.Close(), d.Close()))
	})
	return d, b
}

// trigger makes n scans, dated every apart up to now, of the codes first, first+1 and so on.
func trigger(t *testing.T, d *analogtest.Device, b *analogtest.Buffer, channel string, first int32, n int, every time.Duration) {
	t.Helper()
	at := time.Now().Add(-time.Duration(n-1) * every)
	for i := range n {
		require.NoError(t, d.Set(channel, first+int32(i)))
		took, err := b.Trigger(at.Add(time.Duration(i) * every))
		require.NoError(t, err)
		require.True(t, took)
	}
}

// collect runs a source until it has delivered n readings.
func collect(t *testing.T, s analog.Source, n int) (got []analog.Reading) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	err := s.Run(ctx, func(r analog.Reading) {
		if got = append(got, r); len(got) == n {
			cancel()
		}
	})
	require.ErrorIs(t, err, context.Canceled)
	return got
}

func TestOpenBufferSetsItUp(t *testing.T) {
	for _, row := range []struct {
		name    string
		offer   analogtest.BufferOptions
		folders [2]string
	}{
		{"the folders of old", analogtest.BufferOptions{Trigger: "t"}, [2]string{"scan_elements", "buffer"}},
		{"the folder since Linux 5.11", analogtest.BufferOptions{Trigger: "t", Numbered: true}, [2]string{"buffer0", "buffer0"}},
		{"another channel was on", analogtest.BufferOptions{Trigger: "t", Scans: map[string]analogtest.Scan{"voltage0": {Enabled: true}}}, [2]string{"scan_elements", "buffer"}},
		{"left running by somebody, with another channel", analogtest.BufferOptions{Trigger: "t", Running: true, Scans: map[string]analogtest.Scan{"voltage0": {Enabled: true}}}, [2]string{"scan_elements", "buffer"}},
		{"running with the wall clock's timestamps", analogtest.BufferOptions{Trigger: "t", Running: true, Scans: map[string]analogtest.Scan{"voltage1": {Enabled: true}}}, [2]string{"scan_elements", "buffer"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			d, v := virtual(t, []analogtest.Channel{{}, {Rate: 250}}, row.offer)
			b, err := OpenBuffer(d.Path(), "voltage1", Options{Rate: 100})
			require.NoError(t, err)
			elements, control := row.folders[0], row.folders[1]
			for attribute, want := range map[string]string{
				elements + "/in_voltage0_en":  "0",
				elements + "/in_voltage1_en":  "1",
				elements + "/in_timestamp_en": "1",
				control + "/enable":           "1",
				control + "/length":           "1024",
				control + "/watermark":        "5", // 50 ms at 100 a second
				"current_timestamp_clock":     "monotonic",
			} {
				assert.Equal(t, want, v.Is(attribute), attribute)
			}
			assert.InDelta(t, 0.125, b.Scale(), 1e-9)
			require.NoError(t, b.Close())
			require.NoError(t, b.Close(), "twice")
			assert.Equal(t, "0", v.Is(control+"/enable"), "what was started is stopped: others may poll again")
		})
	}
}

func TestARunningBufferIsTakenAsItIs(t *testing.T) {
	d, v := virtual(t, nil, analogtest.BufferOptions{Trigger: "t", Running: true, Clock: "boottime", Scans: map[string]analogtest.Scan{"voltage0": {Enabled: true}}})
	b, err := OpenBuffer(d.Path(), "voltage0", Options{Rate: 100, Running: true})
	require.NoError(t, err)
	assert.Equal(t, "boottime", v.Is("current_timestamp_clock"))
	assert.Equal(t, "2", v.Is("buffer/length"), "nothing was written")
	require.NoError(t, b.Close())
	assert.Equal(t, "1", v.Is("buffer/enable"), "and nothing is stopped that somebody else started")
}

func TestRunDeliversWhatTheBufferHolds(t *testing.T) {
	for _, row := range []struct {
		name, clock string
		channels    []analogtest.Channel
		scans       map[string]analogtest.Scan
		torn        int
	}{
		{"16 bits, the clock since boot", "boottime", []analogtest.Channel{{}}, nil, 0},
		{"12 bits above four others, and a raw clock", "monotonic_raw", []analogtest.Channel{{}}, map[string]analogtest.Scan{"voltage0": {Bits: 12, Shift: 4}}, 0},
		{"big-endian without a sign, in pieces of five bytes", "monotonic", []analogtest.Channel{{}}, map[string]analogtest.Scan{"voltage0": {BigEndian: true, Unsigned: true, Bits: 12, Storage: 32, Shift: 8}}, 5},
		{"the second of a differential converter", "", []analogtest.Channel{{Name: "voltage1-voltage3"}, {Name: "voltage0"}}, nil, 3},
	} {
		t.Run(row.name, func(t *testing.T) {
			d, v := virtual(t, row.channels, analogtest.BufferOptions{Trigger: "t", Clock: row.clock, Scans: row.scans})
			v.Torn = row.torn
			b, err := OpenBuffer(d.Path(), "voltage0", Options{})
			require.NoError(t, err)
			defer b.Close()
			opened := time.Now().Add(-time.Second)
			b.scans.since = opened // the scans below are dated before now
			trigger(t, d, v, "voltage0", 100, 10, ms)
			got := collect(t, b, 10)
			for i, r := range got {
				assert.EqualValues(t, 100+i, r.Code)
				age := r.At.Add(time.Second / 860).Sub(opened) // less the age of a conversion, it is dated between opening and now
				assert.Positive(t, age)
				assert.Less(t, r.At, time.Now())
			}
			for i := range 9 {
				assert.InDelta(t, float64(ms), float64(got[i+1].At.Sub(got[i].At)), float64(ms)/2, "the rhythm of the trigger, not of the reads")
			}
		})
	}
}

func TestReadOfABuffer(t *testing.T) {
	d, v := virtual(t, nil, analogtest.BufferOptions{Trigger: "t"})
	b, err := OpenBuffer(d.Path(), "voltage0", Options{})
	require.NoError(t, err)
	b.scans.since = time.Now().Add(-time.Second)
	trigger(t, d, v, "voltage0", -3, 3, ms)
	for want := int32(-3); want < 0; want++ {
		code, err := b.Read()
		require.NoError(t, err)
		assert.Equal(t, want, code)
	}
	// Close wakes a reader that waits.
	var reader sync.WaitGroup
	reader.Go(func() {
		_, err := b.Read()
		assert.ErrorIs(t, err, analog.ErrClosed)
	})
	require.NoError(t, b.Close())
	reader.Wait()
	_, err = b.Read()
	require.ErrorIs(t, err, analog.ErrClosed)
}

func TestABufferThatIsSilent(t *testing.T) {
	d, v := virtual(t, nil, analogtest.BufferOptions{Trigger: "the trigger", Clock: "boottime"})
	b, err := OpenBuffer(d.Path(), "voltage0", Options{})
	require.NoError(t, err)
	defer b.Close()
	b.patience = 20 * time.Millisecond
	err = b.Run(t.Context(), func(analog.Reading) {})
	require.ErrorIs(t, err, ErrNoBuffer)
	require.ErrorContains(t, err, `does its trigger "the trigger" fire?`)

	// Scans that all lie before the opening are of another clock than the one that is named, or stale for ever.
	trigger(t, d, v, "voltage0", 1, 3, ms)
	b.scans.since = time.Now().Add(time.Hour)
	_, err = b.Read()
	require.ErrorIs(t, err, ErrNoBuffer)
	require.ErrorContains(t, err, `are not of the clock "boottime"`)
}

func TestABufferThatEnds(t *testing.T) {
	d, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{})
	require.NoError(t, err)
	defer d.Close()
	v, err := d.OfferBuffer(analogtest.BufferOptions{Trigger: "t"})
	require.NoError(t, err)
	b, err := OpenBuffer(d.Path(), "voltage0", Options{})
	require.NoError(t, err)
	defer b.Close()
	require.NoError(t, v.Close())
	err = b.Run(t.Context(), func(analog.Reading) {})
	require.ErrorContains(t, err, "the buffer of the converter at "+d.Path()+" cannot be read")
}

func TestOpenBufferRefuses(t *testing.T) {
	for _, row := range []struct {
		name    string
		offer   *analogtest.BufferOptions
		change  func(t *testing.T, device string)
		options Options
		is      error
		says    string
	}{
		{"a driver without a buffer", nil, nil, Options{}, ErrNoBuffer, "has no buffer for voltage0: it can be polled only"},
		{"a driver that times nothing", &analogtest.BufferOptions{NoTimestamp: true, Trigger: "t"}, nil, Options{}, ErrNoBuffer, "does not time what is in its buffer"},
		{"no node", &analogtest.BufferOptions{Trigger: "t"}, func(t *testing.T, device string) {
			require.NoError(t, os.WriteFile(filepath.Join(device, "uevent"), []byte("DEVTYPE=iio_device\n"), 0o600))
		}, Options{}, ErrNoBuffer, "has no node"},
		{"a node that is not there", &analogtest.BufferOptions{Trigger: "t"}, func(t *testing.T, device string) {
			require.NoError(t, os.WriteFile(filepath.Join(device, "uevent"), []byte("DEVNAME=iio:device4711\n"), 0o600))
		}, Options{}, ErrNoBuffer, "/dev/iio:device4711 cannot be opened"},
		{"an element that nobody understands", &analogtest.BufferOptions{Trigger: "t"}, func(t *testing.T, device string) {
			require.NoError(t, os.WriteFile(filepath.Join(device, "scan_elements/in_voltage0_type"), []byte("le:f32/32\n"), 0o600))
		}, Options{}, ErrNoBuffer, "the place of voltage0"},
		{"a number of more than 32 bits", &analogtest.BufferOptions{Trigger: "t", Scans: map[string]analogtest.Scan{"voltage0": {Bits: 48, Storage: 64}}}, nil, Options{}, ErrNoBuffer, "at most 32 bits"},
		{"a clock that cannot be set", &analogtest.BufferOptions{Trigger: "t"}, func(t *testing.T, device string) {
			clock := filepath.Join(device, "current_timestamp_clock")
			require.NoError(t, os.Remove(clock))
			require.NoError(t, os.Mkdir(clock, 0o700)) // cannot be written even by root
		}, Options{}, ErrNoBuffer, `does not take "monotonic" for current_timestamp_clock`},
		{"an enable that is refused", &analogtest.BufferOptions{}, func(t *testing.T, device string) {
			enable := filepath.Join(device, "buffer/enable")
			require.NoError(t, os.Remove(enable))
			require.NoError(t, os.Mkdir(enable, 0o700))
		}, Options{Trigger: "underdash"}, ErrNoBuffer, `does not take "1" for buffer/enable`},
		{"one that does not run, where nothing is to be set up", &analogtest.BufferOptions{Trigger: "t"}, nil, Options{Running: true}, ErrNoBuffer, "is not running with voltage0"},
		{"no such channel", &analogtest.BufferOptions{}, func(t *testing.T, device string) {
			require.NoError(t, os.Remove(filepath.Join(device, "in_voltage0_raw")))
		}, Options{}, ErrNoChannel, "has no channel voltage0"},
	} {
		t.Run(row.name, func(t *testing.T) {
			d, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{})
			require.NoError(t, err)
			defer d.Close()
			var v *analogtest.Buffer
			if row.offer != nil {
				v, err = d.OfferBuffer(*row.offer)
				require.NoError(t, err)
				defer v.Close()
			}
			if row.change != nil {
				row.change(t, d.Path())
			}
			_, err = OpenBuffer(d.Path(), "voltage0", row.options)
			require.ErrorIs(t, err, row.is)
			assert.ErrorContains(t, err, row.says)
			assert.NotContains(t, err.Error(), "\n", "one sentence")
			if v != nil && row.is == ErrNoBuffer {
				assert.Equal(t, "2", v.Is("buffer/length"), "what was changed on the way is taken back")
				assert.Equal(t, row.offer.Trigger, v.Is("trigger/current_trigger"))
			}
		})
	}
}

// ctx ends a run that waits, whatever comes in meanwhile.
func TestRunEndsWithItsContext(t *testing.T) {
	d, _ := virtual(t, nil, analogtest.BufferOptions{Trigger: "t"})
	b, err := OpenBuffer(d.Path(), "voltage0", Options{})
	require.NoError(t, err)
	defer b.Close()
	ctx, cancel := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() {
		assert.ErrorIs(t, b.Run(ctx, func(analog.Reading) {}), context.Canceled)
	})
	cancel()
	run.Wait()
}
