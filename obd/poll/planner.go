package poll

import (
	"slices"
	"time"

	"underdash/obd"
)

const (
	// A plan is thought over so often, and one whose costs are guessed after so many rounds at the latest. Another one
	// has to be better by this factor to take its place.
	replanEvery = 10 * time.Second
	trialRounds = 8
	betterBy    = 1.03

	// overdue is how many of its periods the latest of the other channels may be late before it has a round's budget
	// for itself.
	overdue = 2
)

// planner decides what is asked next, from the time and from what earlier requests cost. It has no clock and asks
// nothing; times are counted from any common start.
//
// It goes round. A round holds every fast channel once, always in the same requests and the same order, so that a fast
// channel returns after one round. The others ride along in places that are left, the one first that is latest measured
// by its own period, as long as that prolongs the round by no more than a fifth; where no place is left, or not enough,
// a round has requests for the others alone, in every round and whether anything is due or not if it would come out
// uneven otherwise. How the fast channels are put into requests, how much room the others get in these and how many
// requests they get for themselves is the plan: of all that are worth a thought the one that yields the most fast
// readings by what requests of each shape have cost on this link. Shapes whose cost is not known are guessed a little
// better than they look, so that they get tried where they matter.
type planner struct {
	places int       // parameters that one request may hold
	leads  []obd.PID // parameters that a request may borrow as its first, best first
	items  []item
	place  [256]int16 // 1 + index into items by parameter; 0 = not a channel
	costs  costs

	plan     plan
	at       int             // slot of the plan that comes next
	riders   []time.Duration // by how much others prolonged each slot's latest request
	first    int             // item that has the budget for itself, because it is overdue; -1 = none
	waited   int             // rounds it has waited since
	extra    int             // rounds since the last request for something that the plan has no room for
	planned  time.Duration   // when the plan was made
	rounds   int             // of this plan
	explored int             // of the plans that are tried before any is chosen
	dirty    bool            // other channels answer than those the plan was made for

	spent [2]float64 // link time of late, by requests with fast channels and by those for the others alone

	mute      int           // requests with several parameters in a row that nothing answered
	quiet     int           // requests of any kind in a row that nothing answered
	suspected time.Duration // when parameters were last asked alone for that; 0 = never
	hold      time.Duration // nothing is asked before

	borrowed obd.PID   // fast channel that the latest request holds only for its number; 0 = none
	due      []int     // scratch
	ask      []obd.PID // scratch
}

type item struct {
	Channel
	bytes  int           // what it adds to an answer: its number and its data
	due    time.Duration // not asked before
	misses int           // in a row
}

func (it *item) fast() bool    { return it.Class == Fast }
func (it *item) resting() bool { return it.misses >= missesAllowed }

// lateness is how many of its periods an other channel is late.
func (it *item) lateness(now time.Duration) float64 { return float64(now-it.due) / float64(it.every()) }

// newPlanner takes the channels in the order of their importance; a parameter named twice counts once. leads are
// parameters that the car supports, from which a request may borrow its first one.
func newPlanner(channels []Channel, places int, leads []obd.PID) *planner {
	p := &planner{first: -1}
	for _, c := range channels {
		if p.place[c.PID] == 0 {
			p.items = append(p.items, item{Channel: c, bytes: widthOf(c.PID)})
			p.place[c.PID] = int16(len(p.items))
		}
	}
	p.leads = slices.DeleteFunc(slices.Clone(leads), func(l obd.PID) bool { return !harmless(l) || l == 0 })
	slices.SortStableFunc(p.leads, func(a, b obd.PID) int { // a fast channel comes last: it would be asked twice a round
		switch fast := p.isFast(a); {
		case fast == p.isFast(b):
			return 0
		case fast:
			return 1
		}
		return -1
	})
	p.resize(places)
	return p
}

func (p *planner) isFast(a obd.PID) bool { return p.place[a] > 0 && p.items[p.place[a]-1].fast() }

// resize sets how many parameters a request may hold, and forgets what kept silent under the old number.
func (p *planner) resize(places int) {
	p.places, p.plan, p.at, p.dirty, p.explored = max(places, 1), plan{}, 0, true, 0
	for i := range p.items {
		p.items[i].misses, p.items[i].due = 0, 0
	}
}

// askable reports whether a channel can be asked in a request that does no harm when its first byte is lost: behind
// another, or in two steps.
func (p *planner) askable(c obd.PID) bool {
	return !dangerous(c) || p.places == 1 || slices.ContainsFunc(p.leads, func(l obd.PID) bool { return l != c })
}

// wanted reports whether a reading of a parameter that the latest request held is one of a channel. A fast channel that
// was borrowed for its number comes in its own request, at its own time.
func (p *planner) wanted(a obd.PID) bool {
	return p.place[a] > 0 && (a != p.borrowed || p.borrowed == 0)
}

// next returns the parameters to ask now, valid until the next call, or none and how long to wait.
func (p *planner) next(now time.Duration) (ask []obd.PID, wait time.Duration) {
	if p.hold > now {
		return nil, p.hold - now
	}
	for rounds := 0; rounds < 2; {
		if p.at >= len(p.plan.slots) {
			rounds++
			p.startRound(now)
			if p.fillExtra(now) {
				return p.ask, 0
			}
			continue
		}
		p.at++
		if p.fill(p.at-1, now) {
			return p.ask, 0
		}
	}
	return nil, p.untilDue(now)
}

func (p *planner) startRound(now time.Duration) {
	p.rounds++
	trial := !p.plan.known && (p.rounds > trialRounds || p.measured(now, p.plan.slots))
	if p.dirty || trial || now-p.planned >= replanEvery {
		p.replan(now)
	}
	p.at, p.extra = 0, p.extra+1
	p.reserve(now)
}

// reserve keeps the budget for the latest channel that the plan has room for, if it is overdue.
func (p *planner) reserve(now time.Duration) {
	p.findDue(now, false)
	n := slices.IndexFunc(p.due, func(i int) bool { return !slices.Contains(p.plan.leftOut, i) })
	if n < 0 || p.items[p.due[n]].lateness(now) <= overdue {
		p.first = -1
		return
	}
	if p.waited++; p.first != p.due[n] {
		p.first, p.waited = p.due[n], 0
	}
}

// measured reports whether the cost of every request of a round is known.
func (p *planner) measured(now time.Duration, slots []slot) bool {
	for i := range slots {
		if s := &slots[i]; !s.own() && !p.costs.known(now, s.bare()) {
			return false
		}
	}
	return true
}

// replan chooses a plan. Before the first choice two are tried whose costs tell the most about the link: the fewest
// requests, and one frame a request.
func (p *planner) replan(now time.Duration) {
	d := p.newDesign(now)
	for p.explored < 2 && p.places > 1 && len(d.fast) > 1 {
		bytes := frameBytes(mostFrames)
		if p.explored == 1 {
			bytes = frameBytes(1)
		}
		p.explored++
		slots := d.slots(d.group(p.places, bytes), 0)
		for i := range slots {
			slots[i].places = slots[i].bare().pids // nobody rides along
		}
		if slots != nil && !p.measured(now, slots) {
			p.adopt(now, plan{slots: slots})
			return
		}
		p.dirty = true // what is in force is a trial
	}
	best := d.best()
	if !p.dirty {
		kept := d.weigh(p.plan.slots)
		if d.leave(&kept); !best.uneven && best.score <= kept.score*betterBy {
			best = kept
		}
	}
	p.adopt(now, best)
}

func (p *planner) adopt(now time.Duration, to plan) {
	p.plan, p.planned, p.rounds, p.dirty = to, now, 0, false
	p.riders = append(p.riders[:0], make([]time.Duration, len(to.slots))...)
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
