package plot

// few is how many of a source's intervals it may have nothing for before its line breaks.
const few = 5

// around is how many intervals on either side tell what a source's interval is. Polling changes its pace with what it
// has to ask; a pace that is taken from both sides follows at once.
const around = 4

// waiting is a reading of which is not yet known whether a gap lies before it.
type waiting struct {
	at     int64
	step   int64 // from the reading before; -1 for the first
	number float64
	says   int32 // place in words
	cut    bool  // readings without a number came before it in another channel
	gap    bool  // the session recorded that nothing was read before it
}

// pace finds a channel's gaps. A reading waits until those behind it tell what the interval is.
type pace struct {
	begun  bool
	last   int64
	before [around]int64
	known  int // of before
	next   int // place in before

	ring         [around + 1]waiting
	head, queued int // oldest in ring, and how many wait
}

// put takes a reading in. If enough have come behind, the oldest that waits is returned, and whether a gap lies before it.
func (p *pace) put(x waiting) (oldest waiting, gap, ok bool) {
	x.step = -1
	if p.begun {
		x.step = max(x.at-p.last, 0)
		p.last = max(p.last, x.at)
	} else {
		p.begun, p.last = true, x.at
	}
	p.ring[(p.head+p.queued)%len(p.ring)] = x
	if p.queued++; p.queued <= around {
		return waiting{}, false, false
	}
	oldest, gap = p.pop()
	return oldest, gap, true
}

// pop takes the oldest. A gap lies before it if its step is longer than a few times the median of the steps around.
func (p *pace) pop() (oldest waiting, gap bool) {
	oldest = p.ring[p.head]
	p.head, p.queued = (p.head+1)%len(p.ring), p.queued-1
	if oldest.step < 0 {
		return oldest, false
	}
	gap = oldest.gap || p.long(oldest.step)
	p.before[p.next] = oldest.step
	p.next, p.known = (p.next+1)%around, min(p.known+1, around)
	return oldest, gap
}

// long says whether a step is longer than a few times the median of those around. Of an even number the upper of the two in
// the middle is taken: where the pace slows down for good, no gap is seen.
func (p *pace) long(step int64) bool {
	n, shorter := p.known+p.queued, 0
	for _, s := range p.before[:p.known] {
		if few*s < step {
			shorter++
		}
	}
	if shorter == 0 && n > 0 && p.queued <= n/2 {
		return false // whatever those behind are
	}
	for i := range p.queued {
		if few*p.ring[(p.head+i)%len(p.ring)].step < step {
			shorter++
		}
	}
	return shorter > n/2 || n == 0
}
