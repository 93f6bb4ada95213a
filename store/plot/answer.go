package plot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"underdash/store/derive"
)

// view is a request as it is looked up: in microseconds, channels by place.
type view struct {
	from, to int64 // readings of [from, to)
	width    int64 // least width of a column
	points   int
	channels []int
}

// view completes a request by what the whole session has.
func (t *table) view(q Request) (view, error) {
	v := view{from: micros(q.From), to: micros(q.To), points: q.Points}
	if t.first > t.last { // no readings
		v.to = max(v.to, v.from+1)
	} else {
		if q.From == 0 {
			v.from = min(0, t.first)
		}
		if q.To == 0 {
			v.to = t.last + 1
		}
		v.to = max(v.to, v.from+1)
	}
	if len(q.Channels) == 0 {
		for i := range t.channels {
			v.channels = append(v.channels, i)
		}
	}
	for _, name := range q.Channels {
		i := slices.IndexFunc(t.channels, func(c derive.Channel) bool { return c.Name == name })
		if i < 0 {
			var names []string
			for _, c := range t.channels {
				names = append(names, fmt.Sprintf("%q", c.Name))
			}
			has := cmp.Or(strings.Join(names, ", "), "none")
			return v, &RequestError{fmt.Sprintf("the session has no channel %q, it has %s", name, has)}
		}
		if !slices.Contains(v.channels, i) {
			v.channels = append(v.channels, i)
		}
	}
	v.points = max(MinPoints, min(v.points, mostCells/max(1, len(v.channels))))
	// An interval lies on at most one cell of a grid more than fill it.
	v.width = ceilDiv(v.to-v.from, int64(v.points)-1)
	return v, nil
}

// serves says whether the table tells enough for a view of a session whose readings are those of [first, last].
func (t *table) serves(v view, first, last int64) bool {
	if !t.fine && (t.grain == 0 || t.grain > v.width) {
		return false
	}
	from, to := v.cells(t.columnWidth(v))
	if t.from > max(from, first) || t.to <= min(to-1, last) {
		return false
	}
	return t.want == nil || !slices.ContainsFunc(v.channels, func(i int) bool { return !t.want[i] })
}

// columnWidth is the width that a view's columns have from this table.
func (t *table) columnWidth(v view) int64 {
	if t.fine {
		return v.width
	}
	return ceilDiv(v.width, t.grain) * t.grain
}

// cells is the range that a grid's cells take up which the view touches.
func (v view) cells(width int64) (from, to int64) {
	return floorDiv(v.from, width) * width, (floorDiv(v.to-1, width) + 1) * width
}

// plot answers from a table that serves the view.
func (t *table) plot(v view) Plot {
	p := Plot{From: seconds(v.from), To: seconds(v.to), Series: make([]Series, 0, len(v.channels))}
	for _, i := range v.channels {
		c := t.channels[i]
		s := Series{Channel: c.Name, Description: c.Description, Unit: c.Unit, Decimals: c.Decimals}
		s.Width, s.Columns = t.columns(i, v)
		if c.Kind == derive.Status {
			s.Steps = t.spans(i, v)
		} else {
			s.States = t.spans(t.stateful(i), v)
		}
		p.Series = append(p.Series, s)
	}
	return p
}

func (t *table) columns(channel int, v view) (width float64, columns []Column) {
	k := &t.tracks[channel]
	if t.fine && k.fine.count(v.from, v.to)+2 <= v.points {
		return 0, k.fine.singles(v.from, v.to)
	}
	w := t.columnWidth(v)
	from, to := v.cells(w)
	cells := make([]sums, (to-from)/w)
	if t.fine {
		k.fine.columns(from, to, w, cells)
	} else {
		k.bins.columns(t.grain, from, to, w, cells)
	}
	columns = make([]Column, 0, len(cells))
	for i, s := range cells {
		if s.n > 0 {
			columns = append(columns, Column{At: seconds(from + int64(i)*w), Min: s.min, Max: s.max, Last: s.tail,
				Break: s.broken && len(columns) > 0})
		}
	}
	return seconds(w), columns
}

// singles are the readings of [from, to), the one before and the one behind.
func (f *fine) singles(from, to int64) []Column {
	var all []reading
	before, after := reading{at: math.MinInt64}, reading{at: math.MaxInt64}
	for i := range f.chunks {
		c := &f.chunks[i]
		switch {
		case c.last < from:
			if c.last >= before.at {
				before = reading{at: c.last, number: c.tail}
			}
			continue
		case c.first >= to && c.first >= after.at:
			continue
		}
		c.each(f.coder, func(r reading) bool {
			switch {
			case r.at < from:
				if r.at >= before.at {
					before = r
				}
			case r.at < to:
				all = append(all, r)
			case r.at < after.at:
				after = r
			}
			return true
		})
	}
	if before.at != math.MinInt64 {
		all = append([]reading{before}, all...)
	}
	slices.SortStableFunc(all, func(a, b reading) int { return cmp.Compare(a.at, b.at) })
	if after.at != math.MaxInt64 {
		all = append(all, after)
	}
	columns := make([]Column, len(all))
	for i, r := range all {
		columns[i] = Column{At: seconds(r.at), Min: r.number, Max: r.number, Last: r.number, Break: r.broken && i > 0}
	}
	return columns
}

// stateful is the channel whose states say why a channel has no readings.
func (t *table) stateful(channel int) int {
	c := t.channels[channel]
	if c.Kind == derive.Lambda || c.Kind == derive.AFR || c.Kind == derive.Aligned {
		for i, other := range t.channels {
			if other.Kind == derive.Volts && other.Source == c.Source {
				return i
			}
		}
	}
	return channel
}

func (t *table) spans(channel int, v view) []Span {
	k := &t.tracks[channel]
	var all []Span
	for _, r := range k.runs.within(v.from, v.to, v.points) {
		w := t.words.list[r.word]
		all = append(all, Span{From: seconds(r.from), To: seconds(r.to), Number: r.number, State: w.state, Text: w.text,
			step: k.runs.status})
	}
	return all
}

// ceilDiv is a/b rounded up, for positive ones.
func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }
