package plot

import "encoding/binary"

// chunkLength is how many readings stand in a chunk. Of a chunk that lies within one column only the sums are looked at.
const chunkLength = 64

// reading is one reading that has a number.
type reading struct {
	at     int64 // microseconds on the session's clock
	number float64
	broken bool // no line leads here from the reading before
}

// sums are what readings come to.
type sums struct {
	n              int32
	broken         bool  // the first of them is
	first, last    int64 // instants, microseconds
	min, max, tail float64
}

// add takes one more in. Readings may come late.
func (s *sums) add(at int64, x float64, broken bool) {
	if s.n == 0 {
		*s = sums{1, broken, at, at, x, x, x}
		return
	}
	s.n++
	if at < s.first {
		s.first, s.broken = at, broken
	}
	if at >= s.last {
		s.last, s.tail = at, x
	}
	s.min, s.max = min(s.min, x), max(s.max, x)
}

// join takes others in.
func (s *sums) join(o sums) {
	if s.n == 0 {
		*s = o
		return
	}
	s.n += o.n
	if o.first < s.first {
		s.first, s.broken = o.first, o.broken
	}
	if o.last >= s.last {
		s.last, s.tail = o.last, o.tail
	}
	s.min, s.max = min(s.min, o.min), max(s.max, o.max)
}

// chunk is a run of readings, each as two differences to the one before it: the instant's, of that its own difference
// doubled plus one where the line breaks, and the code's.
type chunk struct {
	sums
	data []byte
}

// each yields the chunk's readings. It stops when yield says no.
func (c *chunk) each(k *coder, yield func(reading) bool) {
	var at, step, code int64
	for b := c.data; len(b) > 0; {
		first := len(b) == len(c.data)
		var u uint64
		u, b = uvarint(b)
		step += unzigzag(u >> 1)
		at += step
		if first {
			step = 0 // its instant was no step
		}
		broken := u&1 != 0
		u, b = uvarint(b)
		code += unzigzag(u)
		if !yield(reading{at, k.number(code), broken}) {
			return
		}
	}
}

// pages are what chunks' bytes stand in, one behind the other.
type pages struct {
	size  int // bytes taken
	space []byte
}

const pageSize = 32 << 10

func (p *pages) keep(b []byte) []byte {
	if len(p.space) < len(b) {
		p.space = make([]byte, pageSize)
		p.size += pageSize
	}
	kept := p.space[:len(b):len(b)]
	p.space = p.space[len(b):]
	copy(kept, b)
	return kept
}

// fine is a channel with every reading.
type fine struct {
	*coder
	chunks []chunk

	// Of the chunk that is being put together.
	open           sums
	data           []byte
	at, step, last int64
}

// The sizes that memory is counted with: a chunk beside its bytes, and a number in a coder's list, in its map as well.
const (
	chunkSize  = 80
	numberSize = 40
)

func (f *fine) size() int { return chunkSize*cap(f.chunks) + numberSize*len(f.list) }

// add takes a reading in, and gives the number that is kept of it.
func (f *fine) add(at int64, x float64, broken bool, p *pages) (shown float64) {
	code, shown := f.code(x)
	if f.open.n == 0 {
		f.at, f.step, f.last, f.data = 0, 0, 0, f.data[:0]
	}
	step := at - f.at
	u := zigzag(step-f.step) << 1
	if broken {
		u |= 1
	}
	f.data = binary.AppendUvarint(f.data, u)
	f.data = appendSigned(f.data, code-f.last)
	f.at, f.step, f.last = at, step, code
	if f.open.n == 0 {
		f.step = 0 // its instant was no step
	}
	f.open.add(at, shown, broken)
	if f.open.n == chunkLength {
		f.flush(p)
	}
	return shown
}

func (f *fine) flush(p *pages) {
	if f.open.n > 0 {
		f.chunks = append(f.chunks, chunk{f.open, p.keep(f.data)})
		f.open = sums{}
	}
}

// columns sums up the readings of [from, to), both on the grid, by its cells.
func (f *fine) columns(from, to, width int64, into []sums) {
	start := floorDiv(from, width)
	for i := range f.chunks {
		c := &f.chunks[i]
		if c.last < from || c.first >= to {
			continue
		}
		if k := floorDiv(c.first, width); floorDiv(c.last, width) == k {
			into[k-start].join(c.sums)
			continue
		}
		f.split(c, from, to, width, into)
	}
}

// split shares a chunk out among columns. It is each, written out: most of an answer's time is spent here.
func (f *fine) split(c *chunk, from, to, width int64, into []sums) {
	start := floorDiv(from, width)
	var at, step, code, begin, end int64 // of the column that the reading before was in, empty at first
	var column *sums
	for b := c.data; len(b) > 0; {
		first := len(b) == len(c.data)
		var u uint64
		u, b = uvarint(b)
		step += unzigzag(u >> 1)
		at += step
		if first {
			step = 0
		}
		broken := u&1 != 0
		u, b = uvarint(b)
		code += unzigzag(u)
		if at < from || at >= to {
			continue
		}
		if at < begin || at >= end {
			k := floorDiv(at, width)
			begin, end, column = k*width, (k+1)*width, &into[k-start]
		}
		column.add(at, f.number(code), broken)
	}
}

// count says how many readings there are in [from, to).
func (f *fine) count(from, to int64) (n int) {
	for i := range f.chunks {
		switch c := &f.chunks[i]; {
		case c.last < from || c.first >= to:
		case c.first >= from && c.last < to:
			n += int(c.n)
		default:
			c.each(f.coder, func(r reading) bool {
				if r.at >= from && r.at < to {
					n++
				}
				return true
			})
		}
	}
	return n
}

// floorDiv is a/b rounded down, for b > 0.
func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
