package plot

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"underdash/store"
	"underdash/store/derive"
)

// plan says what to keep of a session that is read.
type plan struct {
	from, to int64  // readings of [from, to), microseconds
	want     []bool // by channel; nil for all
	every    int    // bytes for every reading; they are dropped when it takes more. 0 for none.
	grain    int64  // of the bins, microseconds; 0 for none
	binBytes int    // for bins; the grain is doubled when it takes more. 0 for no bound.
}

// table is a session, or a range of it, as it is kept. It does not change once it is made.
type table struct {
	plan
	channels    []derive.Channel
	tracks      []track
	words       words
	first, last int64 // instants of the first and the last reading, microseconds; first > last for none
	damage      string
	fine        bool    // every reading is there; else bins are
	density     float64 // bytes a microsecond that every reading takes
	size        int
}

// track is one channel.
type track struct {
	fine fine
	bins bins
	runs runs
	pace pace

	said    word // by the last reading
	says    int32
	unasked bool
	of      []int // channels that have no readings while this one has a state
	cut     bool  // one without a number came since the last
	cutNext bool  // one of the input came that this channel has nothing for

	gaps []gap // of the source that are still ahead, in their order
	at   int64 // of the last reading, microseconds
	any  bool  // there was one
}

// gap is a time in which nothing was read, microseconds.
type gap struct{ from, to int64 }

// crossed says whether a recorded gap lies between the last reading and one at an instant.
func (t *track) crossed(at int64) (yes bool) {
	for len(t.gaps) > 0 && t.gaps[0].from < at {
		yes = yes || t.any && t.gaps[0].to > t.at
		if t.gaps[0].to > at {
			break // it ends behind this one
		}
		t.gaps = t.gaps[1:]
	}
	t.at, t.any = max(t.at, at), true
	return yes
}

// gapsOf are the gaps and pauses that a session recorded of a channel's source. One that is still open has no reading behind it.
func gapsOf(m store.Meta, c derive.Channel) (all []gap) {
	input := ""
	if slices.ContainsFunc(m.Channels, func(x store.Channel) bool { return x.Analog != nil && x.Name == c.Source }) {
		input = c.Source
	}
	for _, e := range m.Events {
		if (e.Kind == "gap" || e.Kind == "pause") && e.Until > e.At && e.Of(input) {
			all = append(all, gap{micros(e.At), micros(e.Until)})
		}
	}
	slices.SortFunc(all, func(a, b gap) int { return cmp.Compare(a.from, b.from) })
	return all
}

// decoder fills a table.
type decoder struct {
	*table
	pages pages
	took  int // of bins, bytes
}

// late is how long after a range's end readings of it are still looked for.
const late = 6 * derive.Window

// decode reads a session by a plan. Damaged blocks are left out and told in the table.
func decode(ctx context.Context, s *derive.Session, p plan) (*table, error) {
	t := &table{plan: p, channels: slices.Clone(s.Channels()), first: math.MaxInt64, last: math.MinInt64, fine: p.every > 0,
		words: words{places: make(map[word]int32)}}
	d := &decoder{table: t}
	d.words.place(word{}) // of plain measurements, the first
	d.prepare(s.Meta())
	var damage error
	lost, n := 0, 0
	for v, err := range s.Values() {
		if n++; n%1024 == 0 {
			if err := ctx.Err(); err != nil {
				return nil, fmt.Errorf("read the session: %w", err)
			}
			d.bound()
		}
		if err != nil {
			if !errors.As(err, new(*store.BlockError)) {
				return nil, fmt.Errorf("read the session: %w", err)
			}
			lost++
			if damage == nil {
				damage = err
			}
			continue
		}
		at := micros(v.At)
		if p.to < math.MaxInt64 && at > p.to+late.Microseconds() {
			break
		}
		d.put(at, v)
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("read the session: %w", err)
	}
	if lost > 0 {
		places := "places"
		if lost == 1 {
			places = "place"
		}
		t.damage = fmt.Sprintf("readings are lost in %d %s, the first: %v", lost, places, damage)
	}
	d.finish()
	return t, nil
}

func (d *decoder) prepare(m store.Meta) {
	d.tracks = make([]track, len(d.channels))
	for i, c := range d.channels {
		t := &d.tracks[i]
		t.fine.coder = newCoder(c.Decimals)
		t.runs.status = c.Kind == derive.Status
		t.unasked = d.want != nil && !d.want[i]
		t.gaps = gapsOf(m, c)
		for k, other := range d.channels {
			if c.Kind == derive.Volts && other.Source == c.Source && (other.Kind == derive.Lambda || other.Kind == derive.AFR) {
				t.of = append(t.of, k)
			}
		}
	}
}

// put takes one reading in.
func (d *decoder) put(at int64, v derive.Value) {
	t := &d.tracks[v.Channel]
	d.first, d.last = min(d.first, at), max(d.last, at)
	if v.State != "" {
		for _, k := range t.of {
			d.tracks[k].cutNext = true
		}
	}
	if t.unasked {
		return
	}
	if says := (word{v.State, v.Text}); says != t.said {
		t.said, t.says = says, d.words.place(says)
	}
	x := waiting{at: at, number: v.Number, says: t.says, cut: t.cutNext, gap: t.crossed(at)}
	t.cutNext = false
	if oldest, gap, ok := t.pace.put(x); ok {
		d.keep(t, oldest, gap)
	}
}

// keep stores one reading, of which is known now whether a gap lies before it.
func (d *decoder) keep(t *track, x waiting, gap bool) {
	if x.at < d.from || x.at >= d.to {
		return
	}
	t.runs.add(x.at, x.number, x.says, gap, &d.words)
	broken := gap || x.cut || t.cut
	if t.cut = math.IsNaN(x.number) || math.IsInf(x.number, 0); t.cut {
		return
	}
	var shown float64
	if d.fine {
		shown = t.fine.add(x.at, x.number, broken, &d.pages)
	} else {
		_, _, shown = t.fine.shown(x.number)
	}
	if d.grain > 0 {
		n := len(t.bins)
		t.bins.add(floorDiv(x.at, d.grain), x.at, shown, broken)
		d.took += binSize * (len(t.bins) - n)
	}
}

// bound keeps what has come within the plan's memory.
func (d *decoder) bound() {
	if d.fine {
		if n := d.fineSize(); n > d.plan.every {
			d.density = float64(n) / float64(max(d.last-max(d.first, d.from), 1))
			d.dropFine()
		}
	}
	for d.plan.binBytes > 0 && d.took > d.plan.binBytes {
		d.grain *= 2
		d.took = 0
		for i := range d.tracks {
			t := &d.tracks[i]
			t.bins = t.bins.coarser()
			d.took += binSize * len(t.bins)
		}
	}
	for i := range d.tracks {
		t := &d.tracks[i]
		for width := int64(1e5); len(t.runs.list) > mostRuns; width *= 2 {
			// The last goes on and stays.
			n := len(t.runs.list) - 1
			last := t.runs.list[n]
			t.runs.list = append(thin(t.runs.list[:n], width), last)
		}
	}
}

// mostRuns bounds how many changes of a status or state are kept of one channel.
const mostRuns = 16 << 10

func (d *decoder) fineSize() int {
	n := d.pages.size
	for i := range d.tracks {
		n += d.tracks[i].fine.size()
	}
	return n
}

func (d *decoder) dropFine() {
	d.fine, d.pages = false, pages{}
	for i := range d.tracks {
		t := &d.tracks[i]
		t.fine = fine{coder: newCoder(t.fine.decimals)}
	}
}

// finish ends the reading: what waits is stored, what only reading needs goes.
func (d *decoder) finish() {
	for i := range d.tracks {
		t := &d.tracks[i]
		for t.pace.queued > 0 {
			x, gap := t.pace.pop()
			d.keep(t, x, gap)
		}
	}
	d.bound()
	d.size = d.words.size()
	for i := range d.tracks {
		t := &d.tracks[i]
		t.fine.flush(&d.pages)
		if d.fine {
			t.bins = nil
		}
		t.fine.chunks, t.bins, t.runs.list = slices.Clip(t.fine.chunks), slices.Clone(t.bins), slices.Clone(t.runs.list)
		t.fine.places, t.fine.data, t.pace, t.gaps = nil, nil, pace{}, nil
		d.size += binSize*len(t.bins) + runSize*len(t.runs.list)
	}
	d.words.places = nil
	if d.fine {
		n := d.fineSize()
		d.size += n
		d.density = float64(n) / float64(max(min(d.last, d.to)-max(d.first, d.from), 1))
	}
}
