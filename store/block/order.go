package block

// sequence guesses which channel comes next in the log from what came after what before: a car is asked in rounds,
// with a slow parameter put in now and then. Writer and reader keep the same one.
//
// The past is the channels that came so far, less what was put in. The guess of a past is the channel that was added
// to it the last time when its newest eight channels were these; failing that, its newest three; failing that, its
// newest one; failing that, the channel after it in the order of their numbers (at the beginning: the first). A channel
// is told by its rank:
//
//	0    the guess; while channels wait, the guess that the first of them came instead of
//	1    while channels wait: the guess of the past with those that wait added to it
//	2+n  channel n
//
// A channel of rank 2 or more that made up less than a share of 1/rare of those before it waits, unless four wait
// already or there was no guess. If rank 0 comes next, what waits was put in, and is forgotten; if anything else comes
// that does not wait itself, what waits is added to the past first.
type sequence struct {
	eights, threes [1 << 10]uint16 // channel + 1 by the newest of a past; 0 for none
	ones           [1 << 8]uint16
	past           uint64 // the low eight bits of each channel + 1, the newest lowest
	waiting        [4]uint16
	waits          int
	missed         uint16         // the guess that the first that waits came instead of, + 1
	counts         [1 << 8]uint32 // by a channel's low eight bits: how often it came
	total          uint32
}

const rare = 32

func places(past uint64) (eight, three, one int) {
	const golden = 0x9E3779B97F4A7C15 // 2^64 divided by the golden ratio: spreads neighbouring pasts over the tables
	return int(past * golden >> 54), int(past << 40 * golden >> 54), int(past & 0xFF)
}

func (s *sequence) guess(past uint64) uint16 {
	eight, three, one := places(past)
	if g := s.eights[eight]; g != 0 {
		return g
	}
	if g := s.threes[three]; g != 0 {
		return g
	}
	if g := s.ones[one]; g != 0 {
		return g
	}
	return uint16(past&0xFF) + 1
}

// candidates are the channels of rank 0 and 1, + 1; 0 for none.
func (s *sequence) candidates() (first, second uint16) {
	if s.waits == 0 {
		return s.guess(s.past), 0
	}
	past := s.past
	for _, c := range s.waiting[:s.waits] {
		past = past<<8 | uint64((c+1)&0xFF)
	}
	return s.missed, s.guess(past)
}

// rank tells a channel by its rank, and moves on.
func (s *sequence) rank(channel uint16) int64 {
	first, second := s.candidates()
	rank := 2 + int64(channel)
	switch channel + 1 {
	case first:
		rank = 0
	case second:
		rank = 1
	}
	s.add(channel, rank, first)
	return rank
}

// channel is the one of a rank, among n channels, and moves on. ok is false if there is none.
func (s *sequence) channel(rank int64, n int) (channel uint16, ok bool) {
	first, second := s.candidates()
	var c uint16
	switch {
	case rank == 0:
		c = first
	case rank == 1:
		c = second
	case rank > 1 && rank-2 < int64(n):
		c = uint16(rank - 1)
	}
	if c == 0 || int(c) > n {
		return 0, false
	}
	s.add(c-1, rank, first)
	return c - 1, true
}

func (s *sequence) add(channel uint16, rank int64, first uint16) {
	count := &s.counts[channel&0xFF]
	if rank > 1 && first != 0 && s.waits < len(s.waiting) && *count*rare < s.total {
		s.missed = first
		s.waiting[s.waits] = channel
		s.waits++
	} else {
		if rank != 0 {
			for _, c := range s.waiting[:s.waits] {
				s.learn(c)
			}
		}
		s.waits = 0
		s.learn(channel)
	}
	*count++
	s.total++
}

func (s *sequence) learn(channel uint16) {
	eight, three, one := places(s.past)
	s.eights[eight], s.threes[three], s.ones[one] = channel+1, channel+1, channel+1
	s.past = s.past<<8 | uint64((channel+1)&0xFF)
}
