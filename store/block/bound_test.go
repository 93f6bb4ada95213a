package block

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTheScaleOfHalfWidths(t *testing.T) {
	for _, row := range []struct{ given, place, stands int64 }{
		{0, 0, 0}, {1, 1, 1}, {15, 15, 15}, {16, 16, 16}, {17, 17, 18}, {18, 17, 18}, {31, 24, 32}, {32, 24, 32}, {33, 25, 36}, {1000, 64, 1024},
	} {
		assert.Equal(t, row.place, place(row.given), "%d", row.given)
		n, ok := ticks(row.place, math.MaxInt64)
		assert.True(t, ok)
		assert.Equal(t, row.stands, n, "%d", row.given)
	}
	last := int64(-1)
	for p := range int64(450) { // up to 2^60 ns and beyond
		n, ok := ticks(p, math.MaxInt64)
		require.True(t, ok, "place %d", p)
		require.Greater(t, n, last)
		require.Equal(t, p, place(n), "what is on the scale stays")
		require.Equal(t, p, place(last+1), "what is between goes up")
		require.LessOrEqual(t, n-last-1, last/8+1, "by less than an eighth")
		last = n
	}
	for _, p := range []int64{-1, 512, math.MaxInt64, math.MinInt64} {
		_, ok := ticks(p, math.MaxInt64)
		assert.False(t, ok, "place %d", p)
	}
	_, ok := ticks(20, 23)
	assert.False(t, ok, "24 is beyond a limit of 23")
}
