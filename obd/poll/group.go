package poll

import (
	"cmp"
	"slices"
)

// group puts the fast channels into as few requests as their number of parameters and bytes allow, the widest first
// into the first where it fits.
func (d *design) group(most, bytes int) [][]int {
	sorted := slices.Clone(d.fast)
	slices.SortStableFunc(sorted, func(a, b int) int { return cmp.Compare(d.items[b].bytes, d.items[a].bytes) })
	var groups [][]int
next:
	for _, i := range sorted {
		for g := range groups {
			if d.together(groups[g][0], i) && len(groups[g]) < most && d.payload(groups[g])+d.items[i].bytes <= bytes {
				groups[g] = append(groups[g], i)
				continue next
			}
		}
		groups = append(groups, []int{i})
	}
	d.mend(groups)
	return groups
}

func (d *design) payload(group []int) int {
	n := 1
	for _, i := range group {
		n += d.items[i].bytes
	}
	return n
}

// mend changes channels between groups so that each one holds a parameter that may come first. Where that does not
// work out the group will have to borrow one.
func (d *design) mend(groups [][]int) {
	for _, g := range groups {
		if !d.sound(g) {
			d.mendOne(g, groups)
		}
	}
}

func (d *design) mendOne(g []int, groups [][]int) {
	for _, h := range groups {
		for x := range h {
			for y := range g {
				if d.items[h[x]].bytes != d.items[g[y]].bytes {
					continue
				}
				h[x], g[y] = g[y], h[x]
				if d.sound(g) && d.sound(h) {
					return
				}
				h[x], g[y] = g[y], h[x]
			}
		}
	}
}

// together reports whether two channels may be in one request.
func (d *design) together(a, b int) bool { return !apart(d.items[a].PID) && !apart(d.items[b].PID) }

// sound reports whether a group can be asked as it is.
func (d *design) sound(group []int) bool {
	if len(group) > 1 && slices.ContainsFunc(group, func(i int) bool { return apart(d.items[i].PID) }) {
		return false
	}
	for _, i := range group {
		if harmless(d.items[i].PID) {
			return true
		}
	}
	return len(group) == 1 && (d.places == 1 || !dangerous(d.items[group[0]].PID))
}

// slots makes requests of the groups, with room for others in what is left of their last frames and so many more. It
// returns nil if a group cannot be asked.
func (d *design) slots(groups [][]int, moreFrames int) []slot {
	slots := make([]slot, 0, len(groups))
	for _, g := range groups {
		s := slot{fast: g, places: d.places, payload: d.payload(g)}
		if !d.sound(g) {
			if len(d.leads) == 0 || len(g) == d.places {
				return nil
			}
			s.borrow = d.leads[0] // harmless, so not in the group
			s.payload += widthOf(s.borrow)
		}
		s.bytes = frameBytes(framesOf(s.payload) + moreFrames)
		if first := d.items[g[0]].PID; apart(first) || dangerous(first) && d.places == 1 {
			s.apart, s.places, s.bytes = true, 1, s.payload
		}
		slots = append(slots, s)
	}
	return slots
}

func sameGroups(a, b [][]int) bool {
	return slices.EqualFunc(a, b, func(x, y []int) bool { return slices.Equal(x, y) })
}
