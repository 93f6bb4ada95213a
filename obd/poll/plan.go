package poll

import (
	"slices"
	"time"

	"underdash/obd"
)

const (
	// spread is by how much a round may grow for the sake of other channels, as a part of its bare time. It bounds
	// how unevenly a fast channel returns.
	spread = 0.2

	// evenness is what it counts for that fast channels come evenly: as much as so many times the readings.
	evenness = 2.0

	// othersShare is the share of the link's time that normal and slow channels may take from fast ones in requests
	// of their own. Common practice, no source: every fourth request.
	othersShare = 0.25

	// mostOwn is how many requests of a round may be for the others alone.
	mostOwn = 4

	// rareRounds is how many rounds pass between two that are longer than spread allows: so few stay out of the
	// hundredth part that tells how even the rest is.
	rareRounds = 125
)

// slot is one request of a round: the fast channels that it always holds, and how far others may fill it up.
type slot struct {
	fast    []int   // items; none in a request for the others alone
	borrow  obd.PID // a parameter put before the fast ones because none of them may come first; 0 = none
	payload int     // bytes of the answer without others
	places  int     // most parameters
	bytes   int     // most bytes of the answer
	apart   bool    // its only parameter is asked apart
	always  bool    // a request for the others alone that is put whether anything is due or not
}

func (s *slot) own() bool { return len(s.fast) == 0 }

// bare is the request's shape without others.
func (s *slot) bare() shape {
	n := len(s.fast)
	switch {
	case s.apart:
		return proved
	case s.borrow != 0:
		n++
	}
	return shape{n, framesOf(s.payload)}
}

// plan is a round: what is asked, over and over, in this order. Every fast channel comes once.
type plan struct {
	slots   []slot
	budget  time.Duration // by how much others may prolong a round
	uneven  bool          // there is no budget: others get their share in requests of their own
	leftOut []int         // others that fit into none of it; they get a request of their own when they are due

	round  time.Duration // how long it takes with the others that are usually due
	served float64       // share of the others' wanted readings that it has room for
	score  float64       // fast readings a second, less where others get less than they ask for
	known  bool          // the cost of every request was measured of late
}

// design finds a plan for the channels that answer at present.
type design struct {
	*planner
	now    time.Duration
	fast   []int
	others []int
	demand float64 // readings of others a second
	width  int     // bytes that another channel adds to an answer, on average
	widest int     // and at the most
}

func (p *planner) newDesign(now time.Duration) *design {
	d := &design{planner: p, now: now}
	bytes := 0.0
	for i := range p.items {
		it := &p.items[i]
		switch {
		case !p.askable(it.PID) || it.resting():
		case it.fast():
			d.fast = append(d.fast, i)
		default:
			rate := 1 / it.every().Seconds()
			d.others = append(d.others, i)
			d.demand += rate
			bytes += rate * float64(it.bytes)
			d.widest = max(d.widest, it.bytes)
		}
	}
	if d.demand > 0 {
		d.width = int(bytes/d.demand + 0.999)
	}
	return d
}

// best weighs every plan that is worth a thought and returns the best one. Requests for the others alone are thought
// of only if the others cannot ride along. If others would get next to nothing in all plans with even rounds, as it may be
// where a round is but one or two requests, unevenness is the lesser evil: rounds that are all as long as the longest
// would serve nobody.
func (d *design) best() plan {
	if len(d.fast) == 0 {
		return plan{slots: []slot{{payload: 1, places: d.places, bytes: frameBytes(mostFrames + 1)}}, known: true, uneven: true}
	}
	var best plan
	take := func(p plan) {
		if best.slots == nil || p.score > best.score {
			if d.leave(&p); best.slots == nil || p.score > best.score {
				best = p
			}
		}
	}
	all := d.groupings()
	for _, groups := range all {
		take(d.weigh(d.slots(groups, 0)))
		if len(d.others) > 0 {
			take(d.weigh(d.slots(groups, 1)))
		}
	}
	if len(d.others) == 0 || best.served >= 0.95 && best.score > 0 {
		return best
	}
	for _, groups := range all {
		d.eachWithOwn(groups, take)
	}
	for _, groups := range all {
		if p := d.unevenly(groups); p.score > evenness*best.score && !best.uneven || p.score > best.score && best.uneven {
			best = p
		}
	}
	return best
}

// groupings are the ways to put the fast channels into requests of at most so many parameters and frames.
func (d *design) groupings() [][][]int {
	var all [][][]int
	for most := min(d.places, len(d.fast)); most >= 1; most-- {
		for frames := 1; frames <= mostFrames; frames++ {
			groups := d.group(most, frameBytes(frames))
			known := slices.ContainsFunc(all, func(g [][]int) bool { return sameGroups(g, groups) })
			if !known && d.slots(groups, 0) != nil {
				all = append(all, groups)
			}
		}
	}
	return all
}

// eachWithOwn yields plans with requests for the others alone, each with as many places as their number calls for, some
// of them in every round.
func (d *design) eachWithOwn(groups [][]int, yield func(plan)) {
	for _, moreFrames := range []int{0, 1} {
		slots := d.slots(groups, moreFrames)
		var round time.Duration
		for i := range slots {
			round += d.costs.of(slots[i].bare())
		}
		for own := 1; own <= mostOwn; own++ {
			places := min(d.places, 1+int(d.demand*round.Seconds()/float64(own)))
			for always := 0; always <= own; always++ {
				yield(d.weigh(interleave(slots, own, always, d.ownSlot(places))))
			}
		}
	}
}

// ownSlot is a request for the others alone, in which each of them finds room.
func (d *design) ownSlot(places int) slot {
	return slot{payload: 1, places: places, bytes: frameBytes(framesOf(1 + max(places*d.width, d.widest)))}
}

// unevenly makes a plan with a request for the others alone that is put when they are due and their share allows.
func (d *design) unevenly(groups [][]int) plan {
	p := plan{slots: interleave(d.slots(groups, 0), 1, 0, d.ownSlot(d.places)), uneven: true, known: true}
	var bare time.Duration
	for i := range p.slots {
		if s := &p.slots[i]; !s.own() {
			bare += d.costs.guess(d.now, s.bare())
			p.known = p.known && d.costs.known(d.now, s.bare())
		}
	}
	each := d.costs.guess(d.now, shape{1, framesOf(1 + d.width)}).Seconds() // they may come cheaper by the dozen
	share := min(othersShare, d.demand*each)
	p.round = time.Duration(float64(bare) / (1 - share))
	p.served = min(1, share/(d.demand*each))
	p.rank(len(d.fast))
	return p
}

// interleave spreads so many requests for the others over a round, the first of them to be put always.
func interleave(slots []slot, own, always int, s slot) []slot {
	mixed := make([]slot, 0, len(slots)+own)
	put := 0
	for i := range slots {
		mixed = append(mixed, slots[i])
		for ; put < own && (put+1)*len(slots) <= (i+1)*own; put++ {
			s.always = put < always
			mixed = append(mixed, s)
		}
	}
	return mixed
}
