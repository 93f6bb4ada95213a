package access

import (
	"net/netip"
	"sync"
	"time"
)

// limits say how wrong codes are slowed down. Guessing 80 bits is hopeless anyway: this is so that it does not even keep the
// logger busy, and is seen. The numbers are common practice, no source.
type limits struct {
	free   int           // wrong codes that cost nothing
	first  time.Duration // to wait after the next one; doubled with every further one
	most   time.Duration // the longest wait
	forget time.Duration // in which one wrong code is forgotten
}

var (
	perAddress = limits{free: 3, first: time.Second, most: 15 * time.Minute, forget: 15 * time.Minute}
	// In all, the wait stays short: it must not be in anybody's power to keep others out for long.
	inAll = limits{free: 20, first: 100 * time.Millisecond, most: 10 * time.Second, forget: 10 * time.Second}
)

const (
	maxAddresses = 256 // that are remembered for wrong codes
	maxKnown     = 32  // that are remembered for the right one
)

// gate counts wrong codes and holds further ones up.
type gate struct {
	wrong int
	last  time.Time // the last wrong one, moved on by what was forgotten
	until time.Time // no code is looked at before
}

// wait is how long no code is looked at yet; 0 or less: one is.
func (g *gate) wait(l limits, now time.Time) time.Duration { return min(g.until.Sub(now), l.most) }

// left is how many wrong codes are not forgotten yet.
func (g *gate) left(l limits, now time.Time) int {
	if n := int(now.Sub(g.last) / l.forget); n > 0 {
		g.wrong = max(g.wrong-n, 0)
		g.last = g.last.Add(time.Duration(n) * l.forget)
	}
	return g.wrong
}

func (g *gate) count(l limits, now time.Time) {
	if g.left(l, now) == 0 || now.Before(g.last) { // before it: the clock was set back
		g.last = now
	}
	g.wrong++
	if n := g.wrong - l.free; n > 0 {
		pause := l.most
		if n <= 20 { // beyond, the shift alone is more than any longest wait
			pause = min(l.first<<(n-1), l.most)
		}
		g.until = now.Add(pause)
	}
	// No more is counted than what the longest wait takes, so that a long attack is not remembered for days.
	g.wrong = min(g.wrong, l.free+20)
}

// gates slow wrong codes down, per address and in all, in memory that is bounded. The zero value is ready.
type gates struct {
	mu        sync.Mutex // guards all below
	all       gate
	addresses map[string]*gate
	untold    int       // wrong codes that the log does not know of
	told      time.Time // when it was told last
	known     []string  // addresses that a right code came from, the newest last: others' wrong ones do not hold them up
}

// try looks whether a code is right, unless an address, or all, have to wait. Codes that are held up are not counted.
func (g *gates) try(from string, now time.Time, right func() bool) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	from = addressKey(from)
	own := g.addresses[from]
	if own != nil {
		if w := own.wait(perAddress, now); w > 0 {
			return SlowError{w}
		}
	}
	if w := g.all.wait(inAll, now); w > 0 && !g.isKnown(from) {
		return SlowError{w}
	}
	if right() {
		delete(g.addresses, from)
		g.know(from)
		return nil
	}
	if own == nil {
		own = g.enter(from, now)
	}
	g.untold++
	own.count(perAddress, now)
	g.all.count(inAll, now)
	return ErrWrong
}

// news is how many wrong codes came that the log does not know of; 0 within a minute of the last time.
func (g *gates) news(now time.Time) (n int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if since := now.Sub(g.told); since >= 0 && since < time.Minute {
		return 0
	}
	n, g.untold, g.told = g.untold, 0, now
	return n
}

// enter makes room for a further address: by those that are forgotten, else by the one that was quiet for longest.
func (g *gates) enter(from string, now time.Time) *gate {
	if g.addresses == nil {
		g.addresses = map[string]*gate{}
	}
	if len(g.addresses) >= maxAddresses {
		oldest, at := "", time.Time{}
		for name, a := range g.addresses {
			if a.left(perAddress, now) == 0 {
				delete(g.addresses, name)
			} else if oldest == "" || a.last.Before(at) {
				oldest, at = name, a.last
			}
		}
		if len(g.addresses) >= maxAddresses {
			delete(g.addresses, oldest)
		}
	}
	own := &gate{}
	g.addresses[from] = own
	return own
}

func (g *gates) isKnown(from string) bool {
	for _, k := range g.known {
		if k == from {
			return true
		}
	}
	return false
}

func (g *gates) know(from string) {
	if g.isKnown(from) {
		return
	}
	g.known = append(g.known, from)
	if len(g.known) > maxKnown {
		g.known = append([]string(nil), g.known[1:]...)
	}
}

// addressKey is what an address, with or without a port, is counted as. Of a global one of IPv6 it is the network of 64 bits, which
// one machine has all the addresses of (RFC 4291 section 2.5.4); a link's own network (section 2.5.6) and a site's (RFC 4193) are
// everybody's in the room, so that there each address counts by itself, and all together. What is no address is counted together.
func addressKey(from string) string {
	a, err := netip.ParseAddr(from)
	if err != nil {
		ap, err := netip.ParseAddrPort(from)
		if err != nil {
			return "other"
		}
		a = ap.Addr()
	}
	a = a.Unmap().WithZone("")
	if a.Is4() || a.IsLinkLocalUnicast() || a.IsPrivate() {
		return a.String()
	}
	return netip.PrefixFrom(a, 64).Masked().String()
}
