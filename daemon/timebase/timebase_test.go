package timebase

import (
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestStep(t *testing.T) {
	day := time.Date(2000, 1, 1, 12, 0, 0, 0, time.UTC)
	for _, row := range []struct {
		name       string
		wall, mono time.Duration
		moved      time.Duration
		step       bool
	}{
		{"both run alike", time.Minute, time.Minute, 0, false},
		{"slewed for a minute at the kernel's most", time.Minute + 30*time.Millisecond, time.Minute, 30 * time.Millisecond, false},
		{"a network time service steps it forward", 30 * 365 * 24 * time.Hour, time.Minute, 30*365*24*time.Hour - time.Minute, true},
		{"stepped back by an hour", time.Minute - time.Hour, time.Minute, -time.Hour, true},
		{"just over the limit", time.Second + StepLimit + time.Microsecond, time.Second, StepLimit + time.Microsecond, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			moved, step := Step(Anchor{UTC: day}, Anchor{UTC: day.Add(row.wall), At: row.mono})
			assert.Equal(t, row.moved, moved)
			assert.Equal(t, row.step, step)
		})
	}
}

func TestClockCountsFromItsStart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := New(time.Now())
		time.Sleep(3 * time.Second)
		assert.Equal(t, 3*time.Second, c.Now())
		assert.Equal(t, -time.Second, c.At(time.Now().Add(-4*time.Second)))
		a := c.Anchor()
		assert.Equal(t, 3*time.Second, a.At)
		assert.True(t, a.UTC.Equal(time.Now()))
	})
}

func TestBetter(t *testing.T) {
	guess, told, known := Anchor{Source: System}, Anchor{Source: Client}, Anchor{Source: Synchronised}
	assert.True(t, Better(guess, known))
	assert.True(t, Better(guess, told))
	assert.True(t, Better(told, known))
	assert.False(t, Better(known, guess))
	assert.False(t, Better(known, told))
	assert.False(t, Better(told, guess))
	assert.True(t, Better(guess, guess), "the later look at the same clock")
	assert.True(t, Better(known, known))
}

// settable is a wall clock that is set by hand, and that may be said to follow a reference.
type settable struct {
	offset time.Duration
	sync   bool
}

func (s *settable) options() Options {
	return Options{
		Wall:         func() time.Time { return time.Now().Add(s.offset) },
		Synchronised: func() (bool, time.Duration) { return s.sync, 7 * time.Millisecond },
	}
}

func TestAnchorTakesTheKernelsWord(t *testing.T) {
	s := settable{sync: true}
	c := Start(s.options())
	a := c.Anchor()
	assert.Equal(t, Synchronised, a.Source)
	assert.Equal(t, 7*time.Millisecond, a.MaxError)
	s.sync = false
	assert.Equal(t, System, c.Anchor().Source)
}

func TestAStepMovesNothingButTheWallClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := settable{offset: -30 * 365 * 24 * time.Hour}
		c := Start(s.options())
		before := c.Anchor()
		boot := c.SinceBoot(c.Now())
		time.Sleep(time.Second)
		s.offset = -time.Hour
		after := c.Anchor()
		moved, step := Step(before, after)
		assert.True(t, step)
		assert.Equal(t, 30*365*24*time.Hour-time.Hour, moved)
		assert.Equal(t, time.Second, after.At-before.At)
		assert.Equal(t, time.Second, c.SinceBoot(c.Now())-boot)
	})
}

func TestOffer(t *testing.T) {
	now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	for _, row := range []struct {
		name   string
		sync   bool
		first  time.Duration // error of what was offered a minute before; 0: nothing was
		utc    time.Time
		most   time.Duration
		taken  bool
		source string
		text   string
	}{
		{"while the system knows nothing better", false, 0, now, time.Second, true, Client, ""},
		{"the system follows a reference", true, 0, now, time.Second, false, Synchronised, ""},
		{"another client told it more exactly", false, 100 * time.Millisecond, now, time.Second, false, Client, ""},
		{"more exact than another client", false, time.Second, now, 100 * time.Millisecond, true, Client, ""},
		{"as exact as another client a minute ago, whose word has drifted since", false, time.Second, now, time.Second, true, Client, ""},
		{"a client that was just switched on", false, 0, time.Unix(60, 0), time.Second, false, System, "1970-01-01 00:01:00 is not between 2024 and 2100"},
		{"a client from the future", false, 0, now.AddDate(100, 0, 0), time.Second, false, System, "not between"},
		{"a slow line", false, 0, now, time.Hour, false, System, "may be off by 1h0m0s, at most 1m0s"},
		{"nonsense", false, 0, now, -1, false, System, "may be off by -1ns"},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := settable{offset: -time.Hour}
				c := Start(s.options())
				if row.first > 0 {
					taken, err := c.Offer(now.Add(-time.Minute), row.first)
					require.NoError(t, err)
					require.True(t, taken)
					time.Sleep(time.Minute)
				}
				s.sync = row.sync
				taken, err := c.Offer(row.utc, row.most)
				assert.Equal(t, row.taken, taken)
				if row.text != "" {
					require.ErrorIs(t, err, ErrOffer)
					assert.ErrorContains(t, err, row.text)
				} else {
					require.NoError(t, err)
				}
				time.Sleep(1000 * time.Second)
				a := c.Anchor()
				assert.Equal(t, row.source, a.Source)
				if row.taken {
					assert.Equal(t, now.Add(1000*time.Second), a.UTC)
					assert.Equal(t, row.most+100*time.Millisecond, a.MaxError, "100 ppm in 1000 s")
				}
			})
		})
	}
}

func TestTheBootsClock(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("known on Linux only")
	}
	t.Setenv(bootIDVariable, "0123456789abcdef0123456789ABCDEF")
	one, two := Start(Options{}), Start(Options{})
	assert.NotEmpty(t, one.BootID())
	assert.NotContains(t, one.BootID(), "-")
	assert.Equal(t, one.BootID(), two.BootID())
	// The same instant on either clock is the same on the boot's.
	now := time.Now()
	assert.InDelta(t, one.SinceBoot(one.At(now)).Seconds(), two.SinceBoot(two.At(now)).Seconds(), 0.1)
	assert.Positive(t, one.SinceBoot(0))
	assert.Empty(t, New(now).BootID())
}
