package poll

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The frames of a payload by ISO 15765-2: 7 bytes in a single frame, 6 in the first of several and 7 in each other one.
func TestFramesOf(t *testing.T) {
	for payload, frames := range map[int]int{1: 1, 7: 1, 8: 2, 13: 2, 14: 3, 20: 3, 21: 4, 27: 4, 28: 5} {
		assert.Equal(t, frames, framesOf(payload), "%d bytes", payload)
	}
	for frames := 1; frames < 20; frames++ {
		assert.Equal(t, frames, framesOf(frameBytes(frames)))
		assert.Equal(t, frames+1, framesOf(frameBytes(frames)+1))
	}
}

func TestCostsAreLearned(t *testing.T) {
	const ms = time.Millisecond
	plane := func(s shape) time.Duration { return 10*ms + time.Duration(s.pids)*ms + time.Duration(s.frames)*3*ms }
	learn := func(c *costs, now time.Duration, cost time.Duration, s shape) {
		for range enough {
			c.learn(now, s, cost)
		}
	}
	t.Run("nothing is known: about a serial line", func(t *testing.T) {
		var c costs
		assert.InDelta(t, 20, c.of(shape{1, 1}).Seconds()*1000, 1)
		assert.Greater(t, c.of(shape{6, 3}), c.of(shape{5, 2}))
	})
	t.Run("what was measured, and a plane for the rest", func(t *testing.T) {
		var c costs
		for _, s := range []shape{{6, 3}, {3, 1}, {3, 2}} {
			learn(&c, time.Second, plane(s), s)
		}
		for _, s := range []shape{{6, 3}, {3, 1}, {1, 1}, {5, 2}, {6, 6}} {
			assert.InDelta(t, plane(s).Seconds(), c.of(s).Seconds(), 0.0002, "%v", s)
		}
		assert.InDelta(t, 0.004, c.more(shape{3, 1}, shape{4, 2}).Seconds(), 0.0002)
		assert.True(t, c.known(2*time.Second, shape{6, 3}))
		assert.False(t, c.known(2*time.Second, shape{5, 2}))
		assert.Equal(t, c.of(shape{6, 3}), c.guess(2*time.Second, shape{6, 3}))
		assert.Less(t, c.guess(2*time.Second, shape{5, 2}), c.of(shape{5, 2}))
	})
	t.Run("an answer that came late does not count", func(t *testing.T) {
		var c costs
		learn(&c, time.Second, 20*ms, shape{6, 3})
		c.learn(time.Second, shape{6, 3}, 2*time.Second)
		assert.Equal(t, 20*ms, c.of(shape{6, 3}))
	})
	t.Run("a link that became slower", func(t *testing.T) {
		var c costs
		learn(&c, time.Second, 20*ms, shape{6, 3})
		for range remembered {
			c.learn(2*time.Second, shape{6, 3}, 60*ms)
		}
		assert.Equal(t, 60*ms, c.of(shape{6, 3}))
	})
	t.Run("larger is not cheaper", func(t *testing.T) {
		var c costs
		learn(&c, time.Second, 90*ms, shape{2, 2})
		learn(&c, time.Second, 20*ms, shape{2, 1})
		assert.GreaterOrEqual(t, c.of(shape{3, 2}), 90*ms)
		assert.GreaterOrEqual(t, c.of(shape{6, 5}), 90*ms)
		assert.Equal(t, 20*ms, c.of(shape{2, 1}))
	})
	t.Run("long ago is a guess", func(t *testing.T) {
		var c costs
		learn(&c, time.Second, 50*ms, shape{6, 3})
		learn(&c, 3*time.Minute, 20*ms, shape{3, 1})
		require.False(t, c.known(3*time.Minute, shape{6, 3}))
		assert.LessOrEqual(t, c.of(shape{6, 3}), 50*ms)
		c.learn(3*time.Minute, shape{6, 3}, 30*ms)
		assert.False(t, c.known(3*time.Minute, shape{6, 3}), "one is not enough")
		learn(&c, 3*time.Minute, 30*ms, shape{6, 3})
		assert.Equal(t, 30*ms, c.of(shape{6, 3}))
	})
	t.Run("beyond the table", func(t *testing.T) {
		var c costs
		learn(&c, time.Second, 200*ms, shape{6, 40})
		assert.Equal(t, 200*ms, c.of(shape{9, 100}))
	})
}
