package poll

import (
	"slices"
	"testing"
	"time"

	"underdash/obd"
)

// linear is a link on which a request has a fixed cost and one for each parameter.
func linear(fixed, each time.Duration) func([]obd.PID) time.Duration {
	return func(ask []obd.PID) time.Duration { return fixed + time.Duration(len(ask))*each }
}

// serial is a serial line to an adapter with a car on CAN behind it.
func serial(l Line) func([]obd.PID) time.Duration {
	return func(ask []obd.PID) time.Duration {
		var widths []int
		for _, a := range ask {
			widths = append(widths, widthOf(a)-1)
		}
		return l.Request(widths...)
	}
}

// framewise is a link on which nothing counts but frames, and those more than in proportion.
func framewise(ask []obd.PID) time.Duration {
	n := 1
	for _, a := range ask {
		n += widthOf(a)
	}
	return time.Duration(framesOf(n)*framesOf(n)) * 20 * time.Millisecond
}

// trip is a planner's drive over a simulated link.
type trip struct {
	cost   func(ask []obd.PID) time.Duration
	mute   func(a obd.PID, now time.Duration) bool // parameters that are not answered
	strict bool                                    // a request that holds one of them is not answered at all

	now      time.Duration
	answered map[obd.PID][]time.Duration
	asked    map[obd.PID]int
	requests map[int]int // by number of parameters
}

// drive lets the planner ask for so long.
func (d *trip) drive(t *testing.T, p *planner, length time.Duration) {
	t.Helper()
	d.answered, d.asked, d.requests = map[obd.PID][]time.Duration{}, map[obd.PID]int{}, map[int]int{}
	for end := d.now + length; d.now < end; {
		ask, wait := p.next(d.now)
		if len(ask) == 0 {
			if wait <= 0 {
				t.Fatal("nothing to ask and no time to wait is a busy loop")
			}
			d.now += wait
			continue
		}
		checkRequest(t, p, ask)
		cost := d.cost(ask)
		d.now += cost
		d.requests[len(ask)]++
		muted := func(a obd.PID) bool { return d.mute != nil && d.mute(a, d.now) }
		refused := d.strict && slices.ContainsFunc(ask, muted)
		var got [256]uint8
		for _, a := range ask {
			d.asked[a]++
			if refused || muted(a) {
				continue
			}
			got[a] = uint8(widthOf(a) - 1)
			if p.wanted(a) {
				d.answered[a] = append(d.answered[a], d.now)
			}
		}
		p.done(d.now, cost, slices.Clone(ask), &got)
	}
}

// checkRequest is plain for speed: it runs for every request of hours of driving.
func checkRequest(t *testing.T, p *planner, ask []obd.PID) {
	t.Helper()
	switch {
	case len(ask) > p.places:
		t.Fatalf("%v has more parameters than a request may hold", ask)
	case len(ask) > 1 && slices.Contains(ask, 0x04):
		t.Fatalf("%v holds load, which is asked alone", ask)
	case dangerous(ask[0]) && p.places > 1:
		t.Fatalf("%v begins with one that would be an order if its beginning were lost", ask)
	case len(ask) > 1 && len(p.leads) > 0 && !harmless(ask[0]):
		t.Fatalf("%v begins with one that may be no parameter", ask)
	}
	for i, a := range ask {
		if slices.Contains(ask[:i], a) {
			t.Fatalf("%v asks twice for one parameter", ask)
		}
	}
}

func (d *trip) perSecond(a obd.PID, length time.Duration) float64 {
	return float64(len(d.answered[a])) / length.Seconds()
}

// intervals returns the sorted times from one answer to the next.
func (d *trip) intervals(a obd.PID) []time.Duration {
	var all []time.Duration
	for i := 1; i < len(d.answered[a]); i++ {
		all = append(all, d.answered[a][i]-d.answered[a][i-1])
	}
	slices.Sort(all)
	return all
}

func mixture() []Channel {
	f := Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{}}
	for p := range sedan().ecus[0].params {
		f.Supported[0x7E8] = append(f.Supported[0x7E8], p)
	}
	return DefaultChannels(f)
}

// six are fast channels of one byte, but for the first, which has two.
func six() (channels []Channel) {
	for _, a := range []obd.PID{0x0C, 0x0D, 0x05, 0x11, 0x0B, 0x0F} {
		channels = append(channels, Channel{PID: a})
	}
	return channels
}

// vee is the default set of an engine with two banks: eight fast channels and twenty others.
func vee() []Channel {
	return DefaultChannels(Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: {
		0x0C, 0x0B, 0x10, 0x11, 0x34, 0x38, 0x06, 0x08, 0x44, 0x03, 0x0E, 0x43, 0x0D, 0x07, 0x09, 0x05, 0x0F, 0x42, 0x2E,
		0x2C, 0x12, 0x33, 0x23, 0x5E, 0x46, 0x5C, 0x2F, 0x1F, 0x01}}})
}

var usualLeads = []obd.PID{0x0C, 0x0D, 0x05, 0x0F, 0x01}
