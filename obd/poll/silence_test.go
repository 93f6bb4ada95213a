package poll

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/obd"
)

func TestPlannerRestsFromTheSilent(t *testing.T) {
	channels := []Channel{{PID: 0x0C}, {PID: 0x0B}, {PID: 0x42, Class: Normal}}
	p := newPlanner(channels, 1, nil)
	d := trip{cost: linear(10*time.Millisecond, 0), mute: func(a obd.PID, _ time.Duration) bool { return a == 0x0B }}
	d.drive(t, p, time.Minute)
	assert.Empty(t, d.answered[0x0B])
	assert.Less(t, d.asked[0x0B], 12)
	assert.Greater(t, d.asked[0x0B], 5)
	assert.Greater(t, len(d.answered[0x0C]), 5000)
}

// An engine computer that refuses a request whole because of one parameter in it gets that one apart, and the others
// together as before.
func TestPlannerFindsWhoSpoilsARequest(t *testing.T) {
	for _, bad := range []obd.PID{0x0B, 0x42} {
		channels := append(six(), Channel{PID: 0x42, Class: Normal}, Channel{PID: 0x33, Class: Slow})
		p := newPlanner(channels, 6, usualLeads)
		d := trip{cost: serial(Line{Baud: 38400, Answer: 5 * time.Millisecond}), strict: true,
			mute: func(a obd.PID, now time.Duration) bool { return a == bad && now > time.Minute && now < 3*time.Minute }}
		d.drive(t, p, time.Minute)
		d.drive(t, p, 20*time.Second)
		d.drive(t, p, 100*time.Second)
		assert.Equal(t, 6, p.places)
		assert.Less(t, d.asked[bad], 12)
		for _, c := range channels {
			if c.PID != bad {
				assert.Greater(t, d.perSecond(c.PID, 100*time.Second)*max(c.every(), 50*time.Millisecond).Seconds(), 0.9, "%s", c.PID)
			}
		}
		d.drive(t, p, 2*time.Minute)
		d.drive(t, p, time.Minute)
		assert.Greater(t, d.perSecond(bad, time.Minute), 1.9, "%s is asked again when it answers again", bad)
	}
}

func TestPlannerFallsBackToSmallerRequests(t *testing.T) {
	p := newPlanner(six(), 6, usualLeads)
	several := false
	d := trip{cost: linear(10*time.Millisecond, 0)}
	d.drive(t, p, time.Second)
	d.strict = true
	d.mute = func(obd.PID, time.Duration) bool { return several }
	d.cost = func(ask []obd.PID) time.Duration { several = len(ask) > 1; return 10 * time.Millisecond }
	d.drive(t, p, 10*time.Second)
	d.drive(t, p, 10*time.Second)
	assert.Equal(t, 1, p.places)
	for _, c := range six() {
		assert.Greater(t, d.perSecond(c.PID, 10*time.Second), 16.0, "%s", c.PID)
	}
}

// A car that answers nothing and says so quickly, as an adapter does on a sleeping bus, is not asked as quickly.
func TestPlannerPausesWhenNothingAnswers(t *testing.T) {
	for _, places := range []int{1, 6} {
		p := newPlanner(mixture(), places, usualLeads)
		d := trip{cost: linear(time.Millisecond, 0), mute: func(obd.PID, time.Duration) bool { return true }}
		d.drive(t, p, 5*time.Second)
		requests := 0
		for _, n := range d.requests {
			requests += n
		}
		assert.Less(t, requests, 25)
		assert.Greater(t, requests, 5)
		d.mute = nil
		d.drive(t, p, 5*time.Second)
		for _, c := range mixture() {
			assert.NotEmpty(t, d.answered[c.PID], "%d places: %s", places, c.PID)
		}
	}
}
