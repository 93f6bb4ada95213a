package elm

import (
	"errors"

	"underdash/obd"
)

// counts remembers how many lines the answer to a request takes. Told this number, the adapter gives its prompt
// after that many lines instead of waiting for more; that is most of a request's time.
//
// A wrong number does harm: with one too small a second engine computer's line comes late and is taken for the
// answer to the next request. So a number is learned from a clean answer to the very same request, asked without
// one, to which a single engine computer answered; it is forgotten when an answer does not fit it, and the whole
// idea is given up when strays show up or the adapter does not know it.
type counts struct {
	known   map[countKey]int
	useless bool
}

// countKey is a request's bytes, with their number last.
type countKey [maxPIDs + 2]byte

func keyOf(r obd.Request) (k countKey) {
	k[0] = byte(r.Service)
	for i, p := range r.PIDs {
		k[1+i] = byte(p)
	}
	k[len(k)-1] = byte(len(r.PIDs))
	return k
}

func (n *counts) clear() { *n = counts{} }

// frames is the number to send with r, 0 if it is not known.
func (n *counts) frames(r obd.Request) int {
	if n.useless {
		return 0
	}
	return n.known[keyOf(r)]
}

// maxCount is the largest number that one hexadecimal digit can tell.
const maxCount = 15

// learn draws conclusions from the answer a to r, which was asked with the given number of frames.
func (c *Conn) learn(r obd.Request, a obd.Answer, frames int, err error) {
	t := c.parser.Tally()
	clean := err == nil && c.strays == 0 && t.Damaged == 0 && t.Duplicates == 0 && t.Pending == 0 && !t.Searching &&
		len(a.Messages) == 1 && len(c.parser.Messages()) == 1
	switch {
	case c.o.NoCount || c.counts.useless || errors.Is(err, ErrClosed):
	case frames > 0 && c.strays > 0:
		c.counts.useless = true
	case frames > 0 && (!clean || a.Frames != frames):
		delete(c.counts.known, keyOf(r))
	case frames == 0 && clean && a.Frames <= maxCount && isCAN(c.framing, c.Info().Protocol):
		if c.counts.known == nil {
			c.counts.known = map[countKey]int{}
		}
		c.counts.known[keyOf(r)] = a.Frames
	}
}

// isCAN tells the protocols on which a count is used. The older ones need pauses between requests anyway.
func isCAN(f Framing, protocol string) bool {
	return f == CAN11 || f == CAN29 || f == Bare && protocol >= "6"
}
