package live

import (
	"math"
	"time"
)

// span is the time over which a channel's readings are counted, in seconds.
const span = 10

// pace counts a channel's readings by the whole seconds of their clock.
type pace struct {
	first  int64 // the second in which counting began
	newest int64 // that was counted in
	counts [span + 1]uint32
}

func newPace(at time.Duration) pace {
	s := second(at)
	return pace{first: s, newest: s}
}

func second(at time.Duration) int64 { return int64(math.Floor(at.Seconds())) }

func (p *pace) slot(s int64) *uint32 {
	n := int64(len(p.counts))
	return &p.counts[(s%n+n)%n]
}

func (p *pace) add(at time.Duration) {
	s := second(at)
	if s <= p.newest-int64(len(p.counts)) {
		return // too long ago to count
	}
	// What lies between, and what the slot of this second counted before, is over.
	for p.newest < s {
		p.newest = max(p.newest+1, s-int64(len(p.counts)))
		*p.slot(p.newest) = 0
	}
	*p.slot(s)++
}

// rate is that of the last whole seconds before now. The first second of all is left out, of which only a part was counted.
func (p *pace) rate(now time.Duration) (perSecond float64, ok bool) {
	until := second(now)
	from := max(until-span, p.first+1)
	if from >= until {
		return 0, false
	}
	n := uint32(0)
	for s := from; s < min(until, p.newest+1); s++ {
		if s > p.newest-int64(len(p.counts)) {
			n += *p.slot(s)
		}
	}
	return float64(n) / float64(until-from), true
}
