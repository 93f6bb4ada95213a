package session

import (
	"time"

	"underdash/store"
)

// rates counts how often each channel is read. The zero value is ready.
type rates struct {
	channels []rate
	latest   time.Duration // of all readings
}

type rate struct {
	readings    uint64
	first, last time.Duration
	worst       time.Duration
	paused      time.Duration // since the first reading
	broken      bool          // a pause came after the last reading
}

func (r *rates) add(s store.Sample) {
	for int(s.Channel) >= len(r.channels) {
		r.channels = append(r.channels, rate{})
	}
	c := &r.channels[s.Channel]
	if c.readings == 0 {
		c.first = s.At
	} else if !c.broken {
		c.worst = max(c.worst, s.At-c.last)
	}
	c.broken = false
	c.readings++
	c.last = s.At
	r.latest = max(r.latest, s.At)
}

// pause notes that nothing was recorded for a while.
func (r *rates) pause(length time.Duration) {
	for i := range r.channels {
		if c := &r.channels[i]; c.readings > 0 {
			c.paused += length
			c.broken = true
		}
	}
}

// list is what to write down, on the clock that starts at zero.
func (r *rates) list(zero time.Duration) (all []store.Rate) {
	for i, c := range r.channels {
		if c.readings == 0 {
			continue
		}
		x := store.Rate{Channel: i, Until: r.latest - zero, Readings: c.readings, Worst: c.worst}
		if !c.broken {
			x.Worst = max(x.Worst, r.latest-c.last)
		}
		if span := (r.latest - c.first - c.paused).Seconds(); span > 0 {
			x.PerSecond = float64(c.readings-1) / span
		}
		all = append(all, x)
	}
	return all
}
