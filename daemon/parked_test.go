package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// night drives the parking logic second by second as watchParked does. The car answers while the ignition is on.
type night struct {
	park  *park
	looks []time.Duration // when the car was asked in vain
	found []time.Duration // when it was asked and then turned
	parks int
}

// life is a car at an instant.
type life struct {
	volts float64 // 0: the adapter cannot tell
	turns bool
	mute  bool // the car gives no answer
	hint  bool
}

func play(o Parking, length time.Duration, at func(t time.Duration) life) *night {
	n := &night{park: newPark(0, o.withDefaults(10*time.Second))}
	wasParked, asked := false, time.Duration(-1)
	for t := time.Duration(0); t <= length; t += time.Second {
		l, p := at(t), n.park
		if l.hint {
			p.hint()
		}
		if p.parked {
			p.measure(t, l.volts, l.volts > 0)
		} else {
			switch {
			case l.mute:
				p.quiet()
			case l.turns:
				p.turning(t)
			default:
				p.standing()
			}
			if p.wantsVolts(t) {
				p.measure(t, l.volts, l.volts > 0)
			}
		}
		p.decide(t)
		switch {
		case !p.parked && wasParked:
			asked = t
		case p.parked && !wasParked:
			n.parks++
			if asked >= 0 {
				n.looks = append(n.looks, asked)
			}
			asked = -1
		}
		if !p.parked && l.turns && !l.mute && asked >= 0 {
			n.found = append(n.found, asked)
			asked = -1
		}
		wasParked = p.parked
	}
	return n
}

func within(t, from, to time.Duration) bool { return t >= from && t < to }

// Voltages are those of lead batteries and alternators (common practice, no source); the nights are what trackers that
// keep asking were reported to go through.
func TestPark(t *testing.T) {
	const (
		evening = time.Hour
		morning = 13 * time.Hour
		end     = 14 * time.Hour
	)
	// driven is the ordinary night: a drive that ends in the evening, a battery that settles, a start in the morning.
	driven := func(t time.Duration) life {
		switch {
		case t < evening, t > morning+3*time.Second:
			return life{volts: 14.1, turns: true}
		case t < evening+8*time.Second:
			return life{volts: 13.1}
		case t < morning:
			return life{volts: 12.9 - min(0.3, (t-evening).Hours()*0.1), mute: true}
		case t < morning+2*time.Second:
			return life{volts: 12.2}
		}
		return life{volts: 10.3, turns: true}
	}
	t.Run("a night without a question", func(t *testing.T) {
		n := play(Parking{}, end, driven)
		assert.Empty(t, n.looks)
		if assert.Len(t, n.found, 1) {
			assert.InDelta(t, morning.Seconds(), n.found[0].Seconds(), 5)
		}
		assert.Equal(t, 1, n.parks)
	})
	t.Run("the starter is too quick to be seen: the alternator tells", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			if l.volts == 10.3 {
				l.volts = 12.2
			}
			return l
		})
		assert.Empty(t, n.looks)
		if assert.Len(t, n.found, 1) {
			assert.InDelta(t, morning.Seconds(), n.found[0].Seconds(), 6)
		}
	})
	t.Run("a car whose computers stay awake while they are asked", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			l.mute = false
			return l
		})
		assert.Empty(t, n.looks)
		assert.Len(t, n.found, 1)
	})
	t.Run("lamps and locks at night are no starter", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			if within(t, evening+2*time.Hour, evening+2*time.Hour+5*time.Minute) && l.mute {
				l.volts -= 0.6
			}
			return l
		})
		assert.Empty(t, n.looks)
		assert.Len(t, n.found, 1)
	})
	t.Run("a car that charges its own battery every six minutes", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			if l.mute && t%(6*time.Minute) < 3*time.Minute {
				l.volts = 13.6
			}
			return l
		})
		assert.NotEmpty(t, n.looks)
		assert.LessOrEqual(t, len(n.looks), 25, "a threshold alone would look 120 times")
		assert.Len(t, n.found, 1, "the starter tells all the same")
	})
	t.Run("a charger all night", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			if l.mute && t > evening+time.Hour {
				l.volts = 13.5
			}
			return l
		})
		assert.LessOrEqual(t, len(n.looks), 30)
		assert.Len(t, n.found, 1)
	})
	t.Run("no usable voltage: rarely, and another source tells", func(t *testing.T) {
		for _, volts := range []float64{0, 0.1, 12.0} { // 12.0 at all times, also while the engine runs
			n := play(Parking{}, end, func(t time.Duration) life {
				l := driven(t)
				l.volts, l.hint = volts, t == morning
				return l
			})
			assert.LessOrEqual(t, len(n.looks), 35, volts)
			if assert.NotEmpty(t, n.found, volts) {
				assert.InDelta(t, morning.Seconds(), n.found[len(n.found)-1].Seconds(), 5, volts)
			}
		}
	})
	t.Run("a lorry", func(t *testing.T) {
		n := play(Parking{}, end, func(t time.Duration) life {
			l := driven(t)
			l.volts *= 2
			return l
		})
		assert.Empty(t, n.looks)
		assert.Len(t, n.found, 1)
	})
	t.Run("an engine that stops at every light", func(t *testing.T) {
		n := play(Parking{}, time.Hour, func(t time.Duration) life {
			if t > time.Minute && t%(2*time.Minute) < 40*time.Second {
				return life{volts: 12.3}
			}
			return life{volts: 14.0, turns: true}
		})
		for _, at := range n.found {
			assert.LessOrEqual(t, (at%(2*time.Minute) - 40*time.Second).Abs(), 3*time.Second, "resumed with the engine")
		}
		assert.Len(t, n.found, n.parks)
		assert.Empty(t, n.looks)
	})
	t.Run("a fault of the bus while driving is no parking", func(t *testing.T) {
		n := play(Parking{}, time.Hour, func(t time.Duration) life {
			return life{volts: 14.0, turns: true, mute: within(t, 20*time.Minute, 29*time.Minute)}
		})
		assert.Zero(t, n.parks)
	})
	t.Run("the ignition is on and nobody starts", func(t *testing.T) {
		n := play(Parking{}, time.Hour, func(t time.Duration) life { return life{volts: 12.2} })
		assert.Equal(t, 1, n.parks)
		assert.Empty(t, n.looks)
	})
}
