package poll

import (
	"slices"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
)

const (
	// mostFrames is the longest answer whose cost is kept apart; longer ones count as this long.
	mostFrames = 12

	// What a shape costs is the median of so many of its newest requests, so that one answer that came late or was
	// asked twice does not count; fewer than enough say nothing yet.
	remembered = 7
	enough     = 3

	// fresh is how long a measured cost is trusted. An older one counts as a guess, which makes it worth another try.
	fresh = time.Minute

	// optimism is what a guessed cost is multiplied with. A guess that looks so much better than what is known gets
	// tried, and then it is known.
	optimism = 0.85
)

// shape is what a request's cost depends on: how many parameters it holds and how many frames they answer. The zero
// shape, proved, is that of a parameter that is asked in two steps.
type shape struct{ pids, frames int }

var proved shape

// provedCost is how many requests of one parameter one in two steps is thought to cost, as long as that is not known:
// the echo is switched on and off for it.
const provedCost = 3

// frameBytes is how many bytes of a payload so many frames hold on CAN: 7 in one, else 6 in the first and 7 in each
// other one (ISO 15765-2).
func frameBytes(frames int) int {
	if frames <= 1 {
		return 7
	}
	return 7*frames - 1
}

// framesOf is how many frames a payload takes on CAN. Older buses hold one parameter a request, so there it is one.
func framesOf(payload int) int {
	if payload <= 7 {
		return 1
	}
	return 1 + payload/7
}

// shapeOf is the shape of a request whose answer has a payload of so many bytes.
func shapeOf(ask []obd.PID, payload int) shape {
	if len(ask) == 1 && (apart(ask[0]) || dangerous(ask[0])) {
		return proved
	}
	return shape{len(ask), framesOf(payload)}
}

// widthOf is how many bytes a parameter adds to a payload: its number and its data.
func widthOf(p obd.PID) int {
	n, _ := pid.Width(p)
	return 1 + n
}

// costs is what requests cost on this link, by shape, as far as it was seen, and a plane through what was seen for the
// shapes that were not.
type costs struct {
	cells  [mostPlaces + 1][mostFrames + 1]cell
	proved cell

	table [mostPlaces + 1][mostFrames + 1]time.Duration // what each shape is thought to cost
	ready bool                                          // the table is in keeping with the cells
	now   time.Duration                                 // when the newest cost was learned
}

type cell struct {
	recent [remembered]time.Duration // a ring
	n      int                       // how many there were since the cost was last not known
	at     time.Duration             // when the newest one was put
	median time.Duration             // of recent
}

func (s shape) clip() shape {
	return shape{min(max(s.pids, 1), mostPlaces), min(max(s.frames, 1), mostFrames)}
}

func (c *costs) cell(s shape) *cell {
	if s == proved {
		return &c.proved
	}
	s = s.clip()
	return &c.cells[s.pids][s.frames]
}

// learn takes in what a request has cost whose every parameter was answered.
func (c *costs) learn(now time.Duration, s shape, cost time.Duration) {
	k := c.cell(s)
	if now-k.at > fresh {
		k.n = 0 // the link may have become another one
	}
	k.recent[k.n%remembered] = cost
	k.n++
	k.at, c.now, c.ready = now, now, false
	seen := k.recent
	n := min(k.n, remembered)
	slices.Sort(seen[:n])
	k.median = seen[(n-1)/2]
}

// known reports whether a shape's cost was measured of late.
func (c *costs) known(now time.Duration, s shape) bool {
	k := c.cell(s)
	return k.n >= enough && now-k.at <= fresh
}

// of is what a request of this shape costs, by measurement where there is one, else by what others have cost.
func (c *costs) of(s shape) time.Duration {
	if !c.ready {
		c.fill()
	}
	switch {
	case s != proved:
	case c.known(c.now, s):
		return c.proved.median
	default:
		return provedCost * c.table[1][1]
	}
	s = s.clip()
	return c.table[s.pids][s.frames]
}

// more is what a request costs more for having grown from one shape to another.
func (c *costs) more(from, to shape) time.Duration { return max(0, c.of(to)-c.of(from)) }

// guess is of for choosing between plans: what is not known for certain is taken for a little better than it looks.
func (c *costs) guess(now time.Duration, s shape) time.Duration {
	d := c.of(s)
	if !c.known(now, s) {
		d = time.Duration(optimism * float64(d))
	}
	return d
}

// usualCosts is what the parts cost where nothing was measured that could tell, in nanoseconds: a request as such, each
// parameter, each frame. They are about those of a serial line of 38 400 baud. With too few shapes to tell the parts
// apart they stay near to these in proportion.
var usualCosts = [3]float64{15e6, 1e6, 4e6}

// fill works out the table: what was measured, and for the rest a plane through that, but no less than smaller requests
// cost.
func (c *costs) fill() {
	c.ready = true
	fixed, perPID, perFrame := c.fit()
	for n := 1; n <= mostPlaces; n++ {
		for f := 1; f <= mostFrames; f++ {
			k, plane := &c.cells[n][f], time.Duration(fixed+perPID*float64(n)+perFrame*float64(f))
			switch {
			case k.n >= enough && c.now-k.at <= fresh:
				c.table[n][f] = k.median
				continue
			case k.n >= enough:
				plane = min(plane, k.median) // it may be what it was
			}
			c.table[n][f] = max(plane, c.table[n-1][f], c.table[n][f-1])
		}
	}
}

// fit lays a plane through the measured shapes by least squares: fixed + perPID·parameters + perFrame·frames. What was
// measured long ago does not count.
func (c *costs) fit() (fixed, perPID, perFrame float64) {
	var a [3][4]float64 // normal equations
	for i := range 3 {
		weight := 1e9 / (usualCosts[i] * usualCosts[i]) // against one measured shape's, small
		a[i][i], a[i][3] = weight, weight*usualCosts[i]
	}
	for n := range c.cells {
		for f := range c.cells[n] {
			k := &c.cells[n][f]
			if k.n == 0 || c.now-k.at > fresh {
				continue
			}
			x := [3]float64{1, float64(n), float64(f)}
			for i := range 3 {
				for j := range 3 {
					a[i][j] += x[i] * x[j]
				}
				a[i][3] += x[i] * float64(k.median)
			}
		}
	}
	solve(&a)
	return a[0][3], a[1][3], a[2][3]
}

// solve brings three equations, whose matrix is symmetric and positive, into the form that shows the unknowns in the
// last column (Gauss and Jordan).
func solve(a *[3][4]float64) {
	for i := range 3 {
		p := a[i][i]
		for j := range 4 {
			a[i][j] /= p
		}
		for r := range 3 {
			if f := a[r][i]; r != i {
				for j := range 4 {
					a[r][j] -= f * a[i][j]
				}
			}
		}
	}
}
