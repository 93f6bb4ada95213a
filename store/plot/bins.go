package plot

// bin is what one channel read in one cell of a grid of time.
type bin struct {
	cell int64
	sums
}

const binSize = 64

// bins are a channel summed up on a grid; cells without a reading are not there.
type bins []bin

// add takes a reading in. Hardly ever does one belong to an earlier cell than the last.
func (b *bins) add(cell, at int64, x float64, broken bool) {
	i := len(*b)
	for i > 0 && (*b)[i-1].cell > cell {
		i--
	}
	if i == 0 || (*b)[i-1].cell != cell {
		*b = append(*b, bin{})
		copy((*b)[i+1:], (*b)[i:])
		(*b)[i] = bin{cell: cell}
		i++
	}
	(*b)[i-1].add(at, x, broken)
}

// coarser makes of every two cells one.
func (b bins) coarser() bins {
	kept := b[:0]
	for _, x := range b {
		x.cell = floorDiv(x.cell, 2)
		if n := len(kept); n > 0 && kept[n-1].cell == x.cell {
			kept[n-1].join(x.sums)
			continue
		}
		kept = append(kept, x)
	}
	return kept
}

// columns sums up by a coarser grid, a multiple of this one's grain: cells that begin in [from, to), both on the
// coarser grid.
func (b bins) columns(grain, from, to, width int64, into []sums) {
	start := floorDiv(from, width)
	for i := range b {
		if at := b[i].cell * grain; at >= from && at < to {
			into[floorDiv(at, width)-start].join(b[i].sums)
		}
	}
}
