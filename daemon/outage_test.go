package daemon

import (
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/obd/obdtest"
	"underdash/obd/port"
)

// However long the adapter was away, a car whose engine runs when it is back is not taken as parked, whether or not the
// alternator is seen to charge and without another source that would tell.
func TestAnOutageIsNoParking(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	for _, volts := range []float64{12.8, 14} {
		for _, lasts := range []time.Duration{time.Minute, 11 * time.Minute} {
			for _, f := range []blocked{
				lineFault("unplugged", "", port.ErrNotFound),
				lineFault("another program on the port", "", port.ErrBusy),
				adapterFault("an adapter that says nothing", "", obdtest.Dead),
			} {
				t.Run(fmt.Sprintf("%s for %v, %.1f V", f.name, lasts, volts), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) {
						o := rig.Demo(13*time.Minute, 1)
						o.Charging = volts
						b := newBubble(t, o)
						b.cfg.Analog = nil
						p := &plug{b: b}
						b.o.Dial = p.dial
						b.start()
						time.Sleep(15*time.Second + 333*time.Millisecond) // too short for the alternator to be judged
						f.begin(b, p)
						time.Sleep(lasts)
						f.end(b, p)
						time.Sleep(5 * time.Second)
						state, why := b.part(OBDPart)
						assert.Equal(t, string(health.Working), state, why)
						time.Sleep(10 * time.Second)
						for _, info := range b.stop() {
							for _, g := range gapsOf(info.Meta, OBDPart) {
								assert.NotContains(t, g.Text, "parked")
							}
						}
					})
				})
			}
		}
	}
}

// The parking logic by itself: what an outage changes.
func TestParkAfterAnOutage(t *testing.T) {
	const stand = 15 * time.Second
	fresh := func() *park {
		p := newPark(0, Parking{}.withDefaults(10*time.Second))
		p.measure(0, 12.5, true)
		return p
	}
	parkedAt := func(p *park, from time.Duration) time.Duration {
		for t := from; t < from+time.Hour; t += time.Second {
			if p.decide(t) {
				return t
			}
		}
		return -1
	}
	t.Run("the whole grace begins anew", func(t *testing.T) {
		p := fresh()
		p.turning(10 * time.Second)
		p.back(70*time.Second, time.Minute)
		assert.Equal(t, 70*time.Second+stand, parkedAt(p, 70*time.Second))
	})
	t.Run("also when it was nearly over", func(t *testing.T) {
		p := fresh()
		p.standing()
		require.False(t, p.decide(14*time.Second))
		p.back(time.Minute, 46*time.Second)
		assert.Equal(t, time.Minute+stand, parkedAt(p, time.Minute))
	})
	t.Run("a car that was silent may have woken", func(t *testing.T) {
		p := fresh()
		p.turning(0)
		p.quiet()
		p.back(time.Minute, 58*time.Second)
		assert.Equal(t, time.Minute+stand, parkedAt(p, time.Minute))
	})
	t.Run("a link that fails again and again before the car answers", func(t *testing.T) {
		p, n := fresh(), 0
		p.standing()
		for now := time.Minute; !p.decide(now) && n < 100; n++ {
			p.back(now, 50*time.Second)
			now += 10 * time.Second // of asking
			if p.decide(now) {
				break
			}
			now += 50 * time.Second
		}
		assert.Less(t, n, 3, "parked after 15 s of asking")
	})
	t.Run("the adapter is plugged in long after the daemon began", func(t *testing.T) {
		p := fresh()
		p.back(time.Hour, time.Hour-time.Second)
		assert.Equal(t, time.Hour+stand-time.Second, parkedAt(p, time.Hour))
	})
	t.Run("a parked car stays parked", func(t *testing.T) {
		p := fresh()
		require.Equal(t, stand, parkedAt(p, 0))
		p.back(time.Hour, time.Minute)
		assert.True(t, p.parked)
	})
}
