package daemon

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
	"underdash/analog/analogtest"
	"underdash/analog/iio"
	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/daemon/health"
	"underdash/daemon/rig"
)

func TestOpenInputByMode(t *testing.T) {
	plain, err := analogtest.Lay(filepath.Join(t.TempDir(), "iio:device0"), analogtest.Options{})
	require.NoError(t, err)
	defer plain.Close()
	for _, mode := range []string{config.Auto, config.Poll, ""} {
		c, err := OpenInput(config.Analog{Device: plain.Path(), Channel: "voltage0", Divider: 1, Mode: mode}, nil)
		require.NoError(t, err)
		_, source := c.(analog.Source)
		assert.False(t, source, "%q polls a converter without a buffer", mode)
		assert.Equal(t, mode != config.Poll, len(notes(c)) == 1, "and says why, if it was free to choose")
		require.NoError(t, c.Close())
	}
	_, err = OpenInput(config.Analog{Device: plain.Path(), Channel: "voltage0", Mode: config.Buffer}, nil)
	require.ErrorIs(t, err, iio.ErrNoBuffer)
	for _, mode := range []string{config.Auto, config.Buffer, config.Poll} {
		c, err := OpenInput(config.Analog{Device: filepath.Join(t.TempDir(), "none"), Channel: "voltage0", Mode: mode}, nil)
		require.ErrorIs(t, err, iio.ErrNoDevice)
		assert.Nil(t, c)
	}
}

// Two inputs of one converter are polled: its buffer would serve one of them.
func TestInputsOfOneConverterArePolled(t *testing.T) {
	all := []config.Analog{{Name: "a", Device: "x", Mode: config.Auto}, {Name: "b", Device: "x", Mode: config.Auto}, {Name: "c", Device: "y", Mode: config.Auto}}
	for i, want := range []string{config.Poll, config.Poll, config.Auto} {
		assert.Equal(t, want, newInput(all[i], all).cfg.Mode, all[i].Name)
	}
	in := newInput(all[2], all)
	in.failed(fmt.Errorf("silent: %w", iio.ErrNoBuffer))
	assert.Equal(t, config.Poll, in.cfg.Mode, "a buffer through which nothing comes is given up")
	in = newInput(config.Analog{Name: "d", Device: "y", Mode: config.Buffer}, nil)
	in.failed(iio.ErrNoBuffer)
	assert.Equal(t, config.Buffer, in.cfg.Mode, "unless nothing else was wanted")
}

// ranged is a converter that knows its codes.
type ranged struct {
	Converter
	high  int32
	scale float64
}

func (r ranged) Range() (int32, int32, bool) { return -r.high - 1, r.high, r.high > 0 }
func (r ranged) Scale() float64              { return r.scale }
func (r ranged) Offset() float64             { return 0 }

// The ads1015 driver's default range is ±2.048 V (Linux, ti-ads1015.c): behind a divider of 1.5 it ends at 3.072 V.
func TestARangeThatIsTooNarrowIsTold(t *testing.T) {
	warm := 5.0
	a := config.Analog{Divider: 1.5, Low: config.Point{Volts: 0.5}, High: config.Point{Volts: 4.5}}
	assert.Contains(t, outOfRange(ranged{high: 32767, scale: 0.0625}, a), "ends at 3.072 V at the plug and the output goes up to 4.500 V")
	assert.Empty(t, outOfRange(ranged{high: 32767, scale: 0.125}, a), "±4.096 V reach 6.1 V")
	assert.Empty(t, outOfRange(ranged{scale: 0.0625}, a), "nothing is known of it")
	a.Divider, a.Warmup = 1.2, &warm
	assert.Contains(t, outOfRange(ranged{high: 32767, scale: 0.125}, a), "ends at 4.915 V at the plug and the output goes up to 5.000 V")
}

// faulty is the car's converter with a fault that can be switched on.
type faulty struct {
	Converter
	errno *atomic.Int32
}

func (f faulty) Read() (int32, error) {
	if e := syscall.Errno(f.errno.Load()); e != 0 {
		if e == syscall.EAGAIN {
			return 0, errors.Join(analog.ErrNotReady, e)
		}
		return 0, fmt.Errorf("the converter: %w", e)
	}
	return f.Converter.Read()
}

// Whatever a driver answers in the middle of a drive, the input waits with a sentence, is tried again, and the session has a gap with
// the reason; the adapter logs on.
func TestAConverterThatFailsLeavesAGapAndIsTriedAgain(t *testing.T) {
	for _, row := range []struct {
		errno syscall.Errno
		lasts time.Duration
		gaps  int
	}{
		{syscall.EIO, 5 * time.Second, 1},
		{syscall.ENODEV, 5 * time.Second, 1},
		{syscall.EBUSY, 5 * time.Second, 1},
		{syscall.EAGAIN, time.Second, 0}, // no conversion ready now and then is no fault
		{syscall.EAGAIN, 5 * time.Second, 1},
	} {
		t.Run(fmt.Sprintf("%v for %v", row.errno, row.lasts), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(30*time.Second, 1))
				var errno atomic.Int32
				b.o.OpenInput = func(a config.Analog, lost Overrun) (Converter, error) {
					c, err := OpenInput(a, lost)
					if err != nil {
						return nil, err
					}
					return faulty{c, &errno}, nil
				}
				b.start()
				time.Sleep(12 * time.Second)
				errno.Store(int32(row.errno))
				time.Sleep(row.lasts)
				state, why := b.part("wideband")
				if row.gaps > 0 {
					assert.Equal(t, string(health.Waiting), state)
					assert.Contains(t, why, row.errno.Error())
				}
				errno.Store(0)
				time.Sleep(6 * time.Second)
				state, _ = b.part("wideband")
				assert.Equal(t, string(health.Working), state)
				time.Sleep(5 * time.Second)
				infos := b.stop()
				require.Len(t, infos, 1)
				gaps := gapsOf(infos[0].Meta, "wideband")
				require.Len(t, gaps, row.gaps)
				for _, g := range gaps {
					assert.Contains(t, g.Text, row.errno.Error())
					assert.InDelta(t, row.lasts.Seconds(), (g.Until - g.At).Seconds(), 4.5)
				}
				assert.Zero(t, b.compare(infos[0].ID).OBD.Differ)
			})
		})
	}
}

// buffered is a converter that times its readings itself and loses some.
type buffered struct {
	Converter
	lost Overrun
}

func (f buffered) Run(ctx context.Context, emit func(analog.Reading)) error {
	from := time.Now()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
		if now := time.Now(); now.Sub(from) > 20*time.Second {
			f.lost(now.Add(-2*time.Second), now, 200)
			f.lost(now.Add(-50*time.Millisecond), now, 5)
			from = now
		}
		code, err := f.Read()
		if err != nil {
			return err
		}
		emit(analog.Reading{Code: code, At: time.Now()})
	}
}

func TestAFullBufferIsCountedAndALongGapIsNoted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(30*time.Second, 1))
		b.o.OpenInput = func(a config.Analog, lost Overrun) (Converter, error) {
			c, err := OpenInput(a, lost)
			return buffered{c, lost}, err
		}
		b.start()
		time.Sleep(29 * time.Second)
		for _, p := range b.daemon.Status().Parts {
			if p.Name == "wideband" {
				assert.Equal(t, uint64(205), p.Counts["readings lost"])
				assert.Greater(t, p.Counts["readings"], uint64(2500))
			}
		}
		infos := b.stop()
		require.Len(t, infos, 1)
		gaps := gapsOf(infos[0].Meta, "wideband")
		require.Len(t, gaps, 1, "a gap of 50 ms shows by itself")
		assert.Contains(t, gaps[0].Text, "about 200 readings are missing")
		assert.InDelta(t, 2, (gaps[0].Until - gaps[0].At).Seconds(), 0.01)
	})
}

// What a wideband's readings show is told once, and taken back.
func TestTroubleOfAnInputIsTold(t *testing.T) {
	in := newInput(config.Analog{Name: "a", Kind: config.Wideband, High: config.Point{Volts: 5, Value: 1.5}, Low: config.Point{Value: 0.5}}, nil)
	for state, words := range map[mixture.State]string{mixture.Fault: "reports a fault", mixture.Disconnected: "is the plug in", mixture.Stuck: "one and the same code", mixture.Valid: "", mixture.Warming: ""} {
		in.state = state
		assert.Contains(t, in.trouble(), words)
		assert.Equal(t, words == "", in.trouble() == "")
	}
}
