package poll_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/obd"
	"underdash/obd/poll"
)

// The whole way from the poller to the engine computer and back, in simulated time, so that no machine's load shows.
// .ci/numbers link measures the same at length.
func TestPollingIsAtTheLinksLimit(t *testing.T) {
	for _, l := range links {
		t.Run(l.name, func(t *testing.T) {
			r := measure(t, l.line, 0, 1, six, fastChannels(six), 20*time.Second)
			limit := l.line.Limit(2, 1, 1, 1, 1, 1)
			assert.GreaterOrEqual(t, r.perSecond, 0.95*limit)
			assert.LessOrEqual(t, r.perSecond, limit, "or the limit is none")
			assert.LessOrEqual(t, r.uneven, 1.25)
			assert.LessOrEqual(t, r.rms, 3*time.Millisecond)
			if l.line.Delay == 0 { // where the line's pace is known, half the answering time and little more is in doubt
				assert.LessOrEqual(t, r.half, l.line.Answer/2+time.Millisecond)
			}
			assert.Zero(t, r.outside)
		})
	}
}

func TestPollingTheDefaultSet(t *testing.T) {
	found := poll.Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: many}}
	r := measure(t, links[0].line, 0, 1, many, poll.DefaultChannels(found), 40*time.Second)
	assert.LessOrEqual(t, r.uneven, 1.25)
	assert.Zero(t, r.outside)
	for _, rate := range r.rates {
		assert.LessOrEqual(t, rate.Got, rate.Asked)
		if rate.Class == poll.Fast {
			assert.Greater(t, rate.Got, 20.0, "%s", rate.PID)
			continue
		}
		assert.InDelta(t, 1, rate.Got/rate.Wanted, 0.15, "%s %s", rate.Class, rate.PID)
		assert.Less(t, rate.Worst.Seconds(), 1.5/rate.Wanted, "%s %s", rate.Class, rate.PID)
	}
}
