package poll

import (
	"time"

	"underdash/obd"
)

const (
	// A parameter that gave no answer so many times in a row is left alone for a while, longer each time, and then
	// asked alone, so that it does not spoil the requests of others.
	missesAllowed = 3
	firstRest     = time.Second
	longestRest   = time.Minute

	// A request that nothing answered is not followed at once by the next one for ever: from the second in a row on
	// the pause doubles up to the longest.
	firstPause   = 10 * time.Millisecond
	longestPause = 500 * time.Millisecond

	// fallBackAfter is how many requests with several parameters may stay unanswered in a row before each of them is
	// asked alone. If that is of no help, so that it happens again within suspicion, requests get smaller.
	fallBackAfter = 3
	suspicion     = 30 * time.Second

	// memory is the link time in seconds over which the others' share is kept where a round has no budget for them.
	memory = 2.0
)

// expected is how many bytes the answer to a request has if every parameter is answered.
func (p *planner) expected(asked []obd.PID) int {
	n := 1
	for _, a := range asked {
		if k := p.place[a]; k > 0 {
			n += p.items[k-1].bytes
		} else {
			n += widthOf(a)
		}
	}
	return n
}

// done takes in how a request ended: what it cost on the link, and how many data bytes each of its parameters was
// answered with, 0 if it was not.
func (p *planner) done(now, cost time.Duration, asked []obd.PID, got *[256]uint8) {
	payload, any, fast := 1, false, 0
	for _, a := range asked {
		if p.isFast(a) && p.wanted(a) {
			fast = 1
		}
		if got[a] == 0 {
			payload += widthOf(a)
			continue
		}
		payload += 1 + int(got[a])
		any = true
	}
	if p.spent[1-fast] += cost.Seconds(); p.spent[0]+p.spent[1] > memory {
		p.spent[0], p.spent[1] = p.spent[0]/2, p.spent[1]/2
	}
	if any {
		p.costs.learn(now, shapeOf(asked, payload), cost)
	}
	for _, a := range asked {
		if !p.wanted(a) {
			continue
		}
		it := &p.items[p.place[a]-1]
		was := *it
		if got[a] > 0 {
			it.bytes = 1 + int(got[a])
		}
		it.settle(now, got[a] > 0)
		p.dirty = p.dirty || was.resting() != it.resting() || was.bytes != it.bytes
	}
	p.listen(now, asked, any)
}

// listen draws conclusions from requests that nothing answered.
func (p *planner) listen(now time.Duration, asked []obd.PID, any bool) {
	if any {
		p.quiet = 0
		if len(asked) > 1 {
			p.mute = 0
		}
		return
	}
	if p.quiet++; p.quiet > 1 {
		p.hold = now + min(firstPause<<min(p.quiet-2, 10), longestPause)
	}
	if len(asked) == 1 {
		return
	}
	if p.mute++; p.mute < fallBackAfter {
		return
	}
	p.mute = 0
	again := p.suspected > 0 && now-p.suspected < suspicion
	p.suspected = max(now, 1)
	if again {
		p.resize(p.places / 2)
		return
	}
	for _, a := range asked {
		if k := p.place[a]; k > 0 {
			it := &p.items[k-1]
			it.misses, it.due, p.dirty = missesAllowed, now, true
		}
	}
}

// rest leaves parameters alone for a while that are known to give no answer.
func (p *planner) rest(now time.Duration, silent []obd.PID) {
	for _, a := range silent {
		it := &p.items[p.place[a]-1]
		it.misses = missesAllowed - 1
		it.settle(now, false)
		p.dirty = true
	}
}

// settle says when the channel is wanted again. An answer that came late does not make the next ones bunch, and one that
// came early does not put the next one off by more than a period.
func (it *item) settle(now time.Duration, got bool) {
	if !got {
		it.misses++
	} else {
		it.misses = 0
	}
	switch {
	case it.resting():
		it.due = now + min(firstRest<<min(it.misses-missesAllowed, 10), longestRest)
	case it.fast():
		it.due = now
	default:
		it.due = min(max(it.due+it.every(), now), now+it.every())
	}
}
