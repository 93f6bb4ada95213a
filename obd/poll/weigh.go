package poll

import (
	"slices"
	"time"
)

// weigh works out how a plan would do.
func (d *design) weigh(slots []slot) plan {
	p := plan{slots: slots, known: true}
	var bare, always time.Duration // of a round: all that is put always, and of that the requests for the others alone
	var one, room time.Duration    // what one request for the others costs, and what it costs to have all riders along
	riders, own, alwaysOwn := 0, 0, 0
	each := 0 // others in a request of their own
	for i := range slots {
		s := &slots[i]
		k, n := 0, s.bare().pids
		if d.width > 0 {
			k = max(0, min(s.places-n, (s.bytes-s.payload)/d.width))
		}
		if s.own() {
			each, own = max(k, 1), own+1
			one = d.costs.guess(d.now, shape{each, framesOf(1 + each*d.width)})
			if s.always {
				alwaysOwn++
			}
			continue
		}
		bare += d.costs.guess(d.now, s.bare())
		p.known = p.known && d.costs.known(d.now, s.bare())
		riders += k
		room += d.costs.more(s.bare(), shape{n + k, framesOf(s.payload + k*d.width)})
	}
	always = time.Duration(alwaysOwn) * one
	bare += always
	p.budget = time.Duration(spread * float64(bare))
	along, room := within(riders, room, p.budget)
	sometimes := 0 // as many whole ones as what is left of the budget pays for
	if one > 0 {
		sometimes = min(own-alwaysOwn, int((p.budget-room)/one))
	}
	if sometimes < own-alwaysOwn {
		return p // the budget never pays for some of them
	}
	if extra := time.Duration(sometimes) * one; float64(always+extra) > 1.02*othersShare*float64(bare+extra) {
		return p // more than their share; the little more is for costs that are not known so well
	}
	along += float64(sometimes * each)
	room += time.Duration(sometimes) * one
	p.round, p.served = bare, 1
	for range 4 { // a longer round has more channels waiting
		want := max(0, d.demand*p.round.Seconds()-float64(alwaysOwn*each))
		p.round = bare + time.Duration(float64(room)*min(1, want/max(along, 1e-9)))
	}
	if d.demand > 0 {
		p.served = min(1, (along+float64(alwaysOwn*each))/(d.demand*p.round.Seconds()))
	}
	p.rank(len(d.fast))
	return p
}

// within is how many riders a budget pays for, on average, and what they then cost. If it does not pay for one, there
// are none.
func within(riders int, room, budget time.Duration) (float64, time.Duration) {
	switch n := float64(riders); {
	case riders == 0 || float64(room) > n*float64(budget):
		return 0, 0
	case room > budget:
		return n * float64(budget) / float64(room), budget
	default:
		return n, room
	}
}

// leave finds the others that a plan has no room for. They get rare requests of their own.
func (d *design) leave(p *plan) {
	rate := 0.0
	for _, i := range d.others {
		if !slices.ContainsFunc(p.slots, func(s slot) bool { return d.holds(p, &s, i) }) {
			p.leftOut = append(p.leftOut, i)
			rate += 1 / d.items[i].every().Seconds()
		}
	}
	if wanted := rate * p.round.Seconds(); wanted > 1.0/rareRounds {
		p.served = min(p.served, 1/(wanted*rareRounds))
	}
	p.rank(len(d.fast))
}

// rank works out a plan's score. Others that get half of what they ask for count as much as a quarter of the readings.
func (p *plan) rank(fast int) {
	p.score = float64(fast) / max(p.round.Seconds(), 1e-6) * p.served * p.served
}

// holds reports whether an other channel fits into a request for little enough.
func (d *design) holds(p *plan, s *slot, i int) bool {
	from := s.bare()
	to := shape{from.pids + 1, framesOf(s.payload + d.items[i].bytes)}
	if s.own() {
		to = d.alone(i)
	}
	switch {
	case !d.fits(s, from.pids, s.payload, d.safe(s), i):
		return false
	case s.always:
		return true
	case s.own():
		return d.costs.of(to) <= p.budget
	}
	return d.costs.more(from, to) <= p.budget
}
