package timebase

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
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
	guess, known := Anchor{Source: System}, Anchor{Source: Synchronised}
	assert.True(t, Better(guess, known))
	assert.False(t, Better(known, guess))
	assert.True(t, Better(guess, guess), "the later look at the same clock")
	assert.True(t, Better(known, known))
}

func TestAnchorTakesTheKernelsWord(t *testing.T) {
	c := New(time.Now())
	c.sync = func() (bool, time.Duration) { return true, 7 * time.Millisecond }
	a := c.Anchor()
	assert.Equal(t, Synchronised, a.Source)
	assert.Equal(t, 7*time.Millisecond, a.MaxError)
	c.sync = func() (bool, time.Duration) { return false, 0 }
	assert.Equal(t, System, c.Anchor().Source)
}
