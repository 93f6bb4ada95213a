package health

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestSetReportsOnlyNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var b Board
		start := time.Now()
		assert.True(t, b.Set("obd", Waiting, "no such device"))
		time.Sleep(time.Second)
		assert.False(t, b.Set("obd", Waiting, "no such device"), "the same fault again")
		assert.Equal(t, start, b.Parts()[0].Since, "a repeated fault keeps the instant it began")
		assert.True(t, b.Set("obd", Waiting, "the car is silent"), "another reason")
		assert.True(t, b.Set("obd", Working, ""))
		assert.Equal(t, start.Add(time.Second), b.Parts()[0].Since)
	})
}

func TestCountsAreCopiedOut(t *testing.T) {
	var b Board
	b.Count("wideband", "readings", 3)
	b.Count("wideband", "readings", 4)
	b.Set("obd", Starting, "")
	parts := b.Parts()
	assert.Equal(t, []string{"obd", "wideband"}, []string{parts[0].Name, parts[1].Name}, "by name")
	assert.Equal(t, uint64(7), parts[1].Counts["readings"])
	parts[1].Counts["readings"] = 0
	assert.Equal(t, uint64(7), b.Parts()[1].Counts["readings"])
}
