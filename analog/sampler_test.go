package analog_test

import (
	"context"
	"errors"
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
			[]time.Duration{-3 * ms, 7 * ms, 17 * ms, 27 * ms}, 3 * ms},
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
