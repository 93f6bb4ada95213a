package poll

import (
	"cmp"
	"slices"
	"time"

	"underdash/obd"
)

const (
	// othersShare is the share of the link's time that normal and slow channels may take from fast ones, one part in
	// so many. Common practice, no source: every fourth request.
	othersShare = 4

	// starving is how many periods late a channel may be before a round gets one more request, for the others alone.
	starving = 8

	// A parameter that gave no answer so many times in a row is left alone for a while, longer each time.
	missesAllowed = 3
	firstRest     = time.Second
	longestRest   = 30 * time.Second

	// memory is the link time over which the shares are balanced.
	memory = 2 * time.Second
)

// planner decides what is asked next, from the time and from what earlier requests cost. It has no clock and asks
// nothing; times are counted from any common start.
//
// A round asks every fast channel once. It takes as many requests as the fast channels and some free places for the
// others need, with the fast ones spread evenly over them, so that a fast channel returns after one round. Free places
// go to the channels that are due, the one first that is latest measured by its own period. That lateness grows until
// the channel is served, and past a limit it buys one more request in the round, so nothing starves. Where a request
// holds one parameter, an other channel gets a request of its own when the others' share of the link's time, as it was
// really spent, is not used up.
type planner struct {
	places int // parameters that one request may hold
	leads  []obd.PID
	items  []item
	place  [256]int16 // 1 + index into items by parameter; 0 = not a channel

	round  []int // fast channels still to be asked in this round
	groups int   // requests left in this round
	extra  bool  // this round may still have a request for the others alone

	spent [2]time.Duration // link time of late, by fast and by others; see memory

	late []int     // scratch
	ask  []obd.PID // scratch
}

type item struct {
	Channel
	due    time.Duration // not asked before
	misses int           // in a row
}

func (it *item) fast() bool { return it.Class == Fast }

// lateness is how many of its periods an other channel is late.
func (it *item) lateness(now time.Duration) float64 { return float64(now-it.due) / float64(it.every()) }

// newPlanner takes the channels in the order of their importance; a parameter named twice counts once. leads are
// parameters that the car supports, from which a request may borrow its first one.
func newPlanner(channels []Channel, places int, leads []obd.PID) *planner {
	p := &planner{leads: slices.DeleteFunc(slices.Clone(leads), func(l obd.PID) bool { return !harmless(l) })}
	for _, c := range channels {
		if p.place[c.PID] == 0 {
			p.items = append(p.items, item{Channel: c})
			p.place[c.PID] = int16(len(p.items))
		}
	}
	p.resize(places)
	return p
}

// resize sets how many parameters a request may hold, and forgets what kept silent under the old number.
func (p *planner) resize(places int) {
	p.places, p.round, p.groups = max(places, 1), p.round[:0], 0
	for i := range p.items {
		p.items[i].misses, p.items[i].due = 0, 0
	}
}

// askable reports whether a channel can be asked in a request that does no harm when its first byte is lost.
func (p *planner) askable(c obd.PID) bool {
	return !dangerous(c) || p.places > 1 && slices.ContainsFunc(p.leads, func(l obd.PID) bool { return l != c })
}

// next returns the parameters to ask now, valid until the next call, or none and how long to wait.
func (p *planner) next(now time.Duration) (ask []obd.PID, wait time.Duration) {
	if len(p.round) == 0 {
		p.startRound(now)
	}
	p.findLate(now)
	p.ask = p.ask[:0]
	if p.places == 1 {
		p.pickOne()
	} else {
		p.pickMany(now)
	}
	if len(p.ask) == 0 {
		return nil, p.untilDue(now)
	}
	p.ask = lead(p.ask, p.places, p.leads)
	return p.ask, 0
}

func (p *planner) startRound(now time.Duration) {
	p.round = p.round[:0]
	others := false
	for i := range p.items {
		it := &p.items[i]
		switch {
		case !p.askable(it.PID):
		case !it.fast():
			others = true
		case it.due <= now:
			p.round = append(p.round, i)
		}
	}
	free := 0
	if others {
		free = (len(p.round) + othersShare - 2) / (othersShare - 1)
	}
	p.groups = (len(p.round) + free + p.places - 1) / p.places
	p.extra = true
}

// findLate lists the other channels that are due, the latest by its own period first.
func (p *planner) findLate(now time.Duration) {
	p.late = p.late[:0]
	for i := range p.items {
		if it := &p.items[i]; !it.fast() && it.due <= now && p.askable(it.PID) {
			p.late = append(p.late, i)
		}
	}
	slices.SortStableFunc(p.late, func(a, b int) int {
		return cmp.Compare(p.items[b].lateness(now), p.items[a].lateness(now))
	})
}

func (p *planner) pickOne() {
	if len(p.late) > 0 && (len(p.round) == 0 || p.spent[1]*(othersShare-1) <= p.spent[0]) {
		p.ask = append(p.ask, p.items[p.late[0]].PID)
		return
	}
	if len(p.round) > 0 {
		p.ask = append(p.ask, p.items[p.round[0]].PID)
		p.round = p.round[1:]
	}
}

// pickMany takes the next part of the round and fills the free places with what is late. Where nothing picked may come
// first, one place is kept for a lead.
func (p *planner) pickMany(now time.Duration) {
	safe := len(p.leads) == 0
	take := func(i int) bool {
		c := p.items[i].PID
		if safe = safe || harmless(c); !safe && len(p.ask) == p.places-1 {
			return false
		}
		p.ask = append(p.ask, c)
		return true
	}
	if p.extra && len(p.late) > 0 && p.items[p.late[0]].lateness(now) > starving {
		p.extra = false
	} else if len(p.round) > 0 {
		p.groups = max(p.groups, 1)
		n := min((len(p.round)+p.groups-1)/p.groups, p.places)
		for n > 0 && take(p.round[0]) {
			p.round = p.round[1:]
			n--
		}
		p.groups--
	}
	for _, i := range p.late {
		if len(p.ask) == p.places {
			break
		}
		take(i)
	}
}

// untilDue is how long nothing is due; a second if there is nothing at all to ask.
func (p *planner) untilDue(now time.Duration) time.Duration {
	wait := time.Duration(-1)
	for i := range p.items {
		if it := &p.items[i]; p.askable(it.PID) && (wait < 0 || it.due-now < wait) {
			wait = it.due - now
		}
	}
	if wait < 0 {
		return time.Second
	}
	return max(wait, time.Millisecond)
}

// done takes in how a request ended: what it cost on the link, and which of its parameters were answered.
func (p *planner) done(now, cost time.Duration, asked []obd.PID, got *[256]bool) {
	for _, a := range asked {
		if p.place[a] == 0 {
			continue // a borrowed lead
		}
		it := &p.items[p.place[a]-1]
		if it.fast() {
			p.spent[0] += cost / time.Duration(len(asked))
		} else {
			p.spent[1] += cost / time.Duration(len(asked))
		}
		it.settle(now, got[a])
	}
	if p.spent[0]+p.spent[1] > memory {
		p.spent[0], p.spent[1] = p.spent[0]/2, p.spent[1]/2
	}
}

// rest leaves parameters alone for a while that are known to give no answer.
func (p *planner) rest(now time.Duration, silent []obd.PID) {
	for _, a := range silent {
		it := &p.items[p.place[a]-1]
		it.misses = missesAllowed - 1
		it.settle(now, false)
	}
}

// settle says when the channel is wanted again. An answer that came late does not make the next ones bunch.
func (it *item) settle(now time.Duration, got bool) {
	if !got {
		it.misses++
	} else {
		it.misses = 0
	}
	switch {
	case it.misses >= missesAllowed:
		it.due = now + min(firstRest<<min(it.misses-missesAllowed, 10), longestRest)
	case it.fast():
		it.due = now
	default:
		it.due = max(it.due+it.every(), now)
	}
}
