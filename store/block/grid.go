package block

import (
	"cmp"
	"math/bits"
	"slices"
)

const (
	gridLeast    = 16      // fewer readings of a channel are not worth a grid
	gridMost     = 15      // channels in one block that have one
	gridFraction = 16      // binary places of a grid's step
	gridSpan     = 1 << 38 // ticks from the first reading to the last, at the most
)

// grid is a channel that is read by a timer: reading i is at
//
//	base + (step·slot[i] + 2^15)>>16 + residual[i]   ticks
//
// where slots are whole numbers, mostly each one more than that before: a timer that was late once skips some.
type grid struct {
	base, step int64 // step in 2^-16 ticks
	slots      []int64
	residuals  []int64
	spread     int64 // mean distance of residuals from their median, in 2^-8 ticks
}

func onGrid(step, slot int64) int64 { return (step*slot + 1<<(gridFraction-1)) >> gridFraction }

// fitGrid finds the grid of instants in order. ok is false if there is none, or coding each instant by its distance
// to the one before is better: readings that follow each other drift away from any grid.
func fitGrid(at []int64) (g grid, ok bool) {
	span := at[len(at)-1] - at[0]
	if len(at) < gridLeast || span > gridSpan {
		return grid{}, false
	}
	steps := make([]int64, len(at)-1)
	for i := range steps {
		steps[i] = at[i+1] - at[i]
	}
	stepSpread, middle := spread(slices.Clone(steps))
	if middle <= 0 || middle > span {
		return grid{}, false
	}
	g = grid{base: at[0], step: middle << gridFraction, slots: make([]int64, len(at)), residuals: make([]int64, len(at))}
	for range 2 { // the second time by a better step
		for i, d := range steps {
			g.slots[i+1] = g.slots[i] + (d<<gridFraction+g.step/2)/g.step
		}
		if !g.refine(at) {
			return grid{}, false
		}
	}
	for i := range at {
		g.residuals[i] = at[i] - g.base - onGrid(g.step, g.slots[i])
	}
	g.spread, _ = spread(slices.Clone(g.residuals))
	return g, g.spread <= stepSpread*5/4+64
}

// refine sets the step by the means of the first and of the last half of all readings.
func (g *grid) refine(at []int64) bool {
	half := len(at) / 2
	var instants, slots int64 // the sums stay below 2^38·2^20
	for i := range half {
		last := len(at) - 1 - i
		instants += at[last] - at[i]
		slots += g.slots[last] - g.slots[i]
	}
	if slots <= 0 {
		return false
	}
	high, low := uint64(instants)>>(64-gridFraction), uint64(instants)<<gridFraction
	if high >= uint64(slots) {
		return false
	}
	step, _ := bits.Div64(high, low, uint64(slots))
	g.step = int64(step)
	return g.step > 0 && step < 1<<62 && g.slots[len(at)-1] <= (1<<62)/g.step
}

// spread is the mean distance of numbers from their median, in 256ths, and the median. It changes the order of x.
func spread(x []int64) (mean, middle int64) {
	if len(x) == 0 {
		return 0, 0
	}
	middle = median(x)
	sum := int64(0)
	for _, v := range x {
		sum += min(max(v, middle)-min(v, middle), 1<<34)
	}
	return sum << 8 / int64(len(x)), middle
}

// assign decides which channels have a grid of their own: one by one, the most regular first, those whose readings lie
// closer to it than the log's, with them in it, lie to an even distance.
func (e *encoder) assign() {
	var candidates []*channel
	grids := make(map[*channel]*grid)
	for i := range e.channels {
		c := &e.channels[i]
		if len(c.at) < gridLeast || c.shared*4 > len(c.at) {
			continue
		}
		if g, ok := fitGrid(c.at); ok {
			candidates, grids[c] = append(candidates, c), &g
		}
	}
	slices.SortStableFunc(candidates, func(a, b *channel) int { return cmp.Compare(grids[a].spread, grids[b].spread) })
	for i, c := range candidates {
		if i == gridMost || grids[c].spread > e.logSpread() {
			return
		}
		c.grid = grids[c]
	}
}

// logSpread is the mean distance of the steps in the log from their median.
func (e *encoder) logSpread() int64 {
	steps := e.scratch[:0]
	last, any := int64(0), false
	for i := range e.readings {
		r := &e.readings[i]
		if e.channels[r.channel].grid != nil {
			continue
		}
		if any && r.at != last {
			steps = append(steps, r.at-last)
		}
		last, any = r.at, true
	}
	e.scratch = steps
	mean, _ := spread(steps)
	return mean
}
