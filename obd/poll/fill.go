package poll

import (
	"cmp"
	"slices"
	"time"

	"underdash/obd"
)

// fill makes a request of a slot: its fast channels, and what is due and fits. It reports whether there is anything to
// ask.
func (p *planner) fill(at int, now time.Duration) bool {
	s := &p.plan.slots[at]
	p.ask = p.ask[:0]
	p.riders[at] = 0
	if s.borrow != 0 {
		p.ask = append(p.ask, s.borrow)
	}
	for _, i := range s.fast {
		p.ask = append(p.ask, p.items[i].PID)
	}
	if s.own() && p.plan.uneven && len(p.plan.slots) > 1 && p.spent[1] > p.spent[0]*othersShare/(1-othersShare) {
		return false
	}
	p.findDue(now, s.always)
	payload, safe := s.payload, p.safe(s)
	for _, i := range p.due {
		it := &p.items[i]
		if len(p.ask) > 0 && apart(p.ask[0]) {
			break
		}
		if s.borrow != 0 && it.PID == s.borrow || !p.fits(s, len(p.ask), payload, safe, i) || !p.affords(at, payload, i) {
			continue
		}
		p.ask = append(p.ask, it.PID)
		payload += it.bytes
		safe = safe || harmless(it.PID)
		if i == p.first {
			p.first = -1
		}
	}
	return p.finish(s.borrow)
}

// affords reports whether an other channel is worth what it costs in the request that is being made, and notes that.
// Any fast channel's interval holds each slot once, some in one round and some in the next, so it is the latest request
// of every slot that together must stay within the budget.
func (p *planner) affords(at, payload, i int) bool {
	s, n, to := &p.plan.slots[at], len(p.ask), payload+p.items[i].bytes
	cost := p.costs.more(shape{n, framesOf(payload)}, shape{n + 1, framesOf(to)})
	if s.own() {
		alone := p.costs.of(p.alone(i))
		if n == 0 {
			cost = alone
		} else if cost > alone/2 {
			return false // it may as well have a request of its own
		}
	}
	switch {
	case s.always || p.plan.uneven:
		return true
	case p.first >= 0 && p.first != i:
		return false
	}
	spent := cost
	for _, c := range p.riders {
		spent += c
	}
	if spent > p.plan.budget && !(p.first == i && p.waited > 2) {
		return false
	}
	p.riders[at] += cost
	return true
}

// alone is the shape of a request for one channel.
func (p *planner) alone(i int) shape {
	return shapeOf([]obd.PID{p.items[i].PID}, 1+p.items[i].bytes)
}

// safe reports whether a slot's request holds a parameter that may come first.
func (p *planner) safe(s *slot) bool {
	return s.borrow != 0 || slices.ContainsFunc(s.fast, func(i int) bool { return harmless(p.items[i].PID) })
}

// fits reports whether an other channel may ride along with n parameters that answer so many bytes. Where none of them
// may come first, one place is kept for a lead.
func (p *planner) fits(s *slot, n, payload int, safe bool, i int) bool {
	it := &p.items[i]
	if n >= s.places || payload+it.bytes > s.bytes && !(s.own() && n == 0) {
		return false
	}
	switch {
	case apart(it.PID):
		return s.own() && n == 0
	case safe || harmless(it.PID):
		return true
	case !s.own():
		return false
	case n == 0:
		return true // askable, or it would not be asked
	}
	return len(p.leads) > 0 && n+2 <= p.places && payload+it.bytes+widthOf(p.leads[0]) <= s.bytes
}

// finish puts a parameter first that may come first. It reports whether there is anything to ask.
func (p *planner) finish(borrowed obd.PID) bool {
	if len(p.ask) == 0 {
		return false
	}
	ask, also := lead(p.ask, p.places, p.leads)
	p.ask, p.borrowed = ask, 0
	if also != 0 {
		borrowed = also
	}
	if borrowed != 0 && p.isFast(borrowed) {
		p.borrowed = borrowed
	}
	return len(p.ask) > 0
}

// fillExtra makes a request out of turn: for a parameter whose rest is over, or for one that the plan has no room for.
func (p *planner) fillExtra(now time.Duration) bool {
	pick := -1
	consider := func(i int) {
		if it := &p.items[i]; it.due <= now && p.askable(it.PID) && (pick < 0 || it.due < p.items[pick].due) {
			pick = i
		}
	}
	for i := range p.items {
		if p.items[i].resting() {
			consider(i)
		}
	}
	if pick < 0 && p.extra >= rareRounds {
		for _, i := range p.plan.leftOut {
			consider(i)
		}
		if pick >= 0 {
			p.extra = 0
		}
	}
	if pick < 0 {
		return false
	}
	p.ask = append(p.ask[:0], p.items[pick].PID)
	return p.finish(0)
}

// findDue lists the other channels that are due, or all, the latest by its own period first.
func (p *planner) findDue(now time.Duration, all bool) {
	p.due = p.due[:0]
	for i := range p.items {
		if it := &p.items[i]; !it.fast() && !it.resting() && (all || it.due <= now) && p.askable(it.PID) {
			p.due = append(p.due, i)
		}
	}
	slices.SortStableFunc(p.due, func(a, b int) int {
		return cmp.Compare(p.items[b].lateness(now), p.items[a].lateness(now))
	})
}
