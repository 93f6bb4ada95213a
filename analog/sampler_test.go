package analog_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
)

// converter counts its reads as codes; takes says how long the n-th read blocks.
type converter struct {
	reads  int32
	period time.Duration
	takes  func(n int32) time.Duration
	fails  func(n int32) error
}

func (c *converter) Read() (int32, error) {
	c.reads++
	if c.takes != nil {
		time.Sleep(c.takes(c.reads))
	}
	if c.fails != nil {
		if err := c.fails(c.reads); err != nil {
			return 0, err
		}
	}
	return c.reads, nil
}
func (c *converter) Period() time.Duration { return c.period }
func (c *converter) Close() error          { return nil }

// sample runs a sampler for a time and gives its readings' instants after the start.
func sample(t *testing.T, c *converter, rate float64, length time.Duration) (at, half []time.Duration, err error) {
	t.Helper()
	start := time.Now()
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	err = analog.NewSampler(c, rate).Run(ctx, func(r analog.Reading) {
		assert.Equal(t, c.reads, r.Code)
		at, half = append(at, r.At.Sub(start)), append(half, r.Half)
	})
	return at, half, err
}

func TestSampler(t *testing.T) {
	const ms = time.Millisecond
	constant := func(d time.Duration) func(int32) time.Duration {
		return func(int32) time.Duration { return d }
	}
	for _, row := range []struct {
		name      string
		converter converter
		rate      float64
		length    time.Duration
		at        []time.Duration
		half      time.Duration
	}{
		{"steady", converter{}, 100, 35 * ms,
			[]time.Duration{0, 10 * ms, 20 * ms, 30 * ms}, 0},
		{"a read takes time, a conversion is half to one and a half periods old", converter{period: 4 * ms, takes: constant(2 * ms)}, 100, 35 * ms,
			[]time.Duration{-3 * ms, 7 * ms, 17 * ms, 27 * ms}, 3600 * time.Microsecond},
		{"reads slower than the rate: every second tick", converter{takes: constant(12 * ms)}, 100, 65 * ms,
			[]time.Duration{6 * ms, 26 * ms, 46 * ms, 66 * ms}, 6 * ms},
		{"reads as long as the rate", converter{takes: constant(10 * ms)}, 100, 35 * ms,
			[]time.Duration{5 * ms, 15 * ms, 25 * ms, 35 * ms}, 5 * ms},
		{"no rate stands for 100", converter{}, 0, 15 * ms,
			[]time.Duration{0, 10 * ms}, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				at, half, err := sample(t, &row.converter, row.rate, row.length)
				require.ErrorIs(t, err, context.DeadlineExceeded)
				assert.Equal(t, row.at, at)
				for _, h := range half {
					assert.Equal(t, row.half, h)
				}
			})
		})
	}
}

func TestSamplerSkipsMissedTicks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &converter{takes: func(n int32) time.Duration {
			if n == 3 {
				return 55 * time.Millisecond
			}
			return 0
		}}
		at, half, _ := sample(t, c, 100, 105*time.Millisecond)
		const ms = time.Millisecond
		// The third read, begun at 20 ms, ends at 75 ms; the grid goes on at 80 ms, without a burst.
		assert.Equal(t, []time.Duration{0, 10 * ms, 47500 * time.Microsecond, 80 * ms, 90 * ms, 100 * ms}, at)
		assert.Equal(t, 27500*time.Microsecond, half[2])
	})
}

// A grid whose period is no whole number of nanoseconds does not drift: five minutes at 300 per second have the last reading
// within a nanosecond of where it belongs.
func TestSamplerDoesNotDrift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		at, _, _ := sample(t, &converter{}, 300, 5*time.Minute-time.Millisecond)
		require.Len(t, at, 300*300)
		assert.InDelta(t, float64(5*time.Minute-time.Second/300), float64(at[len(at)-1]), 1)
	})
}

func TestSamplerEnds(t *testing.T) {
	broken := errors.New("no such device")
	t.Run("the converter fails", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			c := &converter{fails: func(n int32) error {
				if n == 3 {
					return broken
				}
				return nil
			}}
			at, _, err := sample(t, c, 100, time.Minute)
			require.ErrorIs(t, err, broken)
			assert.EqualError(t, err, "reading the analog input: no such device")
			assert.Len(t, at, 2)
		})
	})
	t.Run("the converter is closed at shutdown", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			c := &converter{fails: func(int32) error { cancel(); return analog.ErrClosed }}
			err := analog.NewSampler(c, 100).Run(ctx, func(analog.Reading) { t.Error("a reading") })
			require.ErrorIs(t, err, context.Canceled)
		})
	})
	t.Run("cancelled before it starts", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		err := analog.NewSampler(&converter{}, 100).Run(ctx, func(analog.Reading) { t.Error("a reading") })
		require.ErrorIs(t, err, context.Canceled)
	})
}

// More reads than conversions would give the same conversion again (Linux, ti-ads1015.c: two reads without a wait), and nothing tells
// that from a level that stands still.
func TestSamplerReadsNoFasterThanTheConverter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &converter{period: time.Second / 128}
		assert.InDelta(t, 128, analog.NewSampler(c, 250).Rate(), 1e-6)
		assert.Equal(t, 50.0, analog.NewSampler(c, 50).Rate())
		at, _, _ := sample(t, c, 250, time.Second)
		assert.InDelta(t, 128, len(at), 1)
	})
}

// chip is a delta-sigma converter that runs by itself, as the ads1015 driver has it: a read gives the newest finished conversion,
// and on another channel than the last one it starts anew and sleeps 1.1 times the conversion twice.
type chip struct {
	nominal time.Duration
	takes   time.Duration // what a conversion takes, which may be off by 10 %
	bus     time.Duration // a read's transfer
	start   time.Time     // of the conversions of the present channel
	channel int
	lock    chan struct{} // one read at a time
}

// middle is the middle of what a code is the mean of.
func (c *chip) middle(start time.Time, code int32) time.Time {
	return start.Add(time.Duration(code)*c.takes - c.takes/2)
}

type input struct {
	*chip
	channel int
	starts  []time.Time // of each read's conversions
}

func (i *input) Period() time.Duration { return i.nominal }
func (i *input) Close() error          { return nil }
func (i *input) Read() (int32, error) {
	i.lock <- struct{}{}
	defer func() { <-i.lock }()
	if i.chip.channel != i.channel {
		i.chip.channel, i.start = i.channel, time.Now()
		time.Sleep(2 * i.nominal * 11 / 10)
	}
	time.Sleep(i.bus / 2)
	code := int32(time.Since(i.start) / i.takes)
	time.Sleep(i.bus / 2)
	i.starts = append(i.starts, i.start)
	return code, nil
}

// The instant of a reading is the middle of the conversion, within its stated bound, however old the conversion is, and however far
// the converter's oscillator is from its nominal rate (Texas Instruments ADS1115: ±10 %).
func TestReadingsAreDatedByTheirConversion(t *testing.T) {
	for _, row := range []struct {
		name   string
		actual float64 // of the nominal conversion
		rate   float64
		nomen  float64 // nominal conversions a second
	}{
		{"as it should be", 1, 100, 860},
		{"a slow oscillator", 1.1, 100, 128},
		{"a fast oscillator", 0.9, 100, 128},
		{"read as fast as it converts", 1.07, 1000, 128},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				nominal := time.Duration(float64(time.Second) / row.nomen)
				in := &input{chip: &chip{nominal: nominal, takes: time.Duration(row.actual * float64(nominal)), bus: 960 * time.Microsecond,
					start: time.Now().Add(-time.Hour), lock: make(chan struct{}, 1)}}
				ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
				defer cancel()
				n, furthest := 0, time.Duration(0)
				_ = analog.NewSampler(in, row.rate).Run(ctx, func(r analog.Reading) {
					off := in.middle(in.starts[n], r.Code).Sub(r.At).Abs()
					assert.LessOrEqual(t, off, r.Half)
					furthest = max(furthest, off)
					n++
				})
				assert.Greater(t, n, 1000)
				assert.Greater(t, furthest, nominal/4, "the bound is not idle")
			})
		})
	}
}

// Two inputs of one converter that takes turns sleep at every change. Their rhythm is slow, and neither bunched nor starved. Linux's
// driver needs 18.5 ms a read at 128 conversions a second and a bus of 100 kHz, 27 readings a second each (derived).
func TestTwoInputsOfOneConverter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &chip{nominal: time.Second / 128, takes: time.Second / 128, bus: 960 * time.Microsecond, channel: -1, lock: make(chan struct{}, 1)}
		ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
		defer cancel()
		var samplers sync.WaitGroup
		for channel := range 2 {
			in := &input{chip: c, channel: channel}
			samplers.Go(func() {
				n, last := 0, time.Now()
				_ = analog.NewSampler(in, 100).Run(ctx, func(r analog.Reading) {
					assert.LessOrEqual(t, in.middle(in.starts[n], r.Code).Sub(r.At).Abs(), r.Half)
					if n > 0 {
						assert.Less(t, r.At.Sub(last), 60*time.Millisecond)
						assert.Greater(t, r.At.Sub(last), 15*time.Millisecond)
					}
					n, last = n+1, r.At
				})
				assert.InDelta(t, 270, n, 25)
			})
		}
		samplers.Wait()
	})
}

// A converter that has nothing ready now and then is left alone at that grid point; one that never has is a fault.
func TestSamplerWaitsForAConverterThatIsNotReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &converter{fails: func(n int32) error {
			if n%3 == 0 {
				return fmt.Errorf("voltage0: %w", analog.ErrNotReady)
			}
			return nil
		}}
		at, _, err := sample(t, c, 100, 65*time.Millisecond)
		require.ErrorIs(t, err, context.DeadlineExceeded)
		const ms = time.Millisecond
		assert.Equal(t, []time.Duration{0, 10 * ms, 30 * ms, 40 * ms, 60 * ms}, at)
	})
	synctest.Test(t, func(t *testing.T) {
		c := &converter{fails: func(n int32) error {
			if n > 100 {
				return analog.ErrNotReady
			}
			return nil
		}}
		at, _, err := sample(t, c, 100, time.Hour)
		require.ErrorIs(t, err, analog.ErrNotReady)
		assert.EqualError(t, err, "reading the analog input: no conversion ready")
		assert.Len(t, at, 100)
	})
}
