package block

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
	"sync"
	"time"
)

// Append encodes samples as one block of h.Session and h.Sequence behind dst. A block holds its readings in the order
// of their instants; those of one channel at one instant stay in the order given. Instants are rounded to the nearest
// tick; half widths grow by the half tick that this may take, and then by less than an eighth, to the next that the
// block can say: the stored span holds the given one. What was read from a block of the same tick is stored as it is.
// An error wraps ErrRange, and dst comes back as it was.
func Append(dst []byte, h Header, samples []Sample) ([]byte, error) {
	if h.Tick == 0 {
		h.Tick = DefaultTick
	}
	if h.Tick < 1 || h.Tick > maxTick {
		return dst, fmt.Errorf("%w: tick of %v, it must be 1 ns to %v", ErrRange, h.Tick, maxTick)
	}
	if len(samples) == 0 || len(samples) > MaxSamples {
		return dst, fmt.Errorf("%w: %d readings in one block, it takes 1 to %d", ErrRange, len(samples), MaxSamples)
	}
	e := encoders.Get().(*encoder)
	defer encoders.Put(e)
	if err := e.load(samples, h.Tick); err != nil {
		return dst, err
	}
	e.assign()
	return e.block(dst, h), nil
}

var encoders = sync.Pool{New: func() any { return &encoder{index: make(map[uint16]int)} }}

// encoder takes a block's readings apart.
type encoder struct {
	columnWriter
	readings []reading // in the order of instants
	channels []channel // in the order of their numbers, once load is done
	index    map[uint16]int
	scratch  []int64
	columns  [5][]int64
}

// reading is a sample in the block's own units.
type reading struct {
	at, bound, code int64 // tick, place on the scale of half widths, code
	channel         int   // in encoder.channels
	flags           Flags
}

type channel struct {
	number                   uint16
	at, bounds, codes, flags []int64 // of each reading
	shared                   int     // readings with the instant and half width of another channel's
	grid                     *grid   // nil: its readings are in the log
}

// load converts, sorts and distributes the readings.
func (e *encoder) load(samples []Sample, tick time.Duration) error {
	e.readings, e.channels = e.readings[:0], e.channels[:0]
	clear(e.index)
	sorted := true
	for i, s := range samples {
		at, bound, err := quantise(s, tick)
		if err != nil {
			return fmt.Errorf("reading %d: %w", i, err)
		}
		c, known := e.index[s.Channel]
		if !known {
			c = e.addChannel(s.Channel)
		}
		sorted = sorted && (i == 0 || e.readings[i-1].at <= at)
		e.readings = append(e.readings, reading{at: at, bound: bound, code: s.Code, channel: c, flags: s.Flags})
	}
	if !sorted {
		slices.SortStableFunc(e.readings, func(a, b reading) int { return cmp.Compare(a.at, b.at) })
	}
	for i := range e.readings {
		r := &e.readings[i]
		c := &e.channels[r.channel]
		c.at, c.bounds = append(c.at, r.at), append(c.bounds, r.bound)
		c.codes, c.flags = append(c.codes, r.code), append(c.flags, int64(r.flags))
		if i > 0 && r.with(&e.readings[i-1]) || i+1 < len(e.readings) && r.with(&e.readings[i+1]) {
			c.shared++
		}
	}
	e.sortChannels()
	return nil
}

// with reports whether two readings came with one answer.
func (r *reading) with(o *reading) bool {
	return r.at == o.at && r.bound == o.bound && r.channel != o.channel
}

// addChannel uses again what a channel of an earlier block had taken.
func (e *encoder) addChannel(number uint16) int {
	n := len(e.channels)
	if n < cap(e.channels) {
		e.channels = e.channels[:n+1]
	} else {
		e.channels = append(e.channels, channel{})
	}
	c := &e.channels[n]
	*c = channel{number: number, at: c.at[:0], bounds: c.bounds[:0], codes: c.codes[:0], flags: c.flags[:0]}
	e.index[number] = n
	return n
}

func (e *encoder) sortChannels() {
	slices.SortFunc(e.channels, func(a, b channel) int { return cmp.Compare(a.number, b.number) })
	moved := make([]int, len(e.channels))
	for place := range e.channels {
		moved[e.index[e.channels[place].number]] = place
	}
	for i := range e.readings {
		e.readings[i].channel = moved[e.readings[i].channel]
	}
}

func (e *encoder) block(dst []byte, h Header) []byte {
	start := len(dst)
	first, last := e.readings[0].at, e.readings[len(e.readings)-1].at
	b := append(dst, magic[:]...)
	b = append(b, Version, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, 0) // the length, known below
	b = binary.AppendUvarint(b, h.Session)
	b = binary.AppendUvarint(b, h.Sequence)
	b = binary.AppendUvarint(b, uint64(h.Tick))
	b = binary.AppendUvarint(b, uint64(len(e.readings)))
	b = binary.AppendVarint(b, first)
	b = binary.AppendUvarint(b, uint64(last-first))
	e.b, e.acc, e.n = b, 0, 0
	e.writeChannels()
	e.writeLog(first)
	for i := range e.channels {
		if c := &e.channels[i]; c.grid != nil {
			e.writeGrid(c, first)
		}
	}
	b = e.finish()
	e.b = nil
	binary.BigEndian.PutUint32(b[start+8:], uint32(len(b)-start+sumSize))
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b[start:], castagnoli))
}

func (e *encoder) writeChannels() {
	e.golomb(uint64(len(e.channels)-1), countOrder)
	next := 0
	for i := range e.channels {
		c := &e.channels[i]
		e.golomb(uint64(int(c.number)-next), gapOrder)
		next = int(c.number) + 1
		e.write(b2u(c.grid != nil), 1)
		if c.grid != nil {
			e.golomb(uint64(len(c.at)-1), lengthOrder)
		}
	}
}

// writeLog writes the readings that have no grid.
func (e *encoder) writeLog(first int64) {
	place := make([]uint16, len(e.channels)) // among the log's channels
	n := uint16(0)
	for i := range e.channels {
		if e.channels[i].grid == nil {
			place[i] = n
			n++
		}
	}
	if n == 0 {
		return
	}
	var order sequence
	for i := range e.columns {
		e.columns[i] = e.columns[i][:0]
	}
	sizes, steps, bounds, ranks, flags := e.columns[0], e.columns[1], e.columns[2], e.columns[3], e.columns[4]
	previous := reading{at: first}
	for i := range e.readings {
		r := &e.readings[i]
		if e.channels[r.channel].grid != nil {
			continue
		}
		if len(sizes) > 0 && r.at == previous.at && r.bound == previous.bound {
			sizes[len(sizes)-1]++
		} else {
			sizes, steps, bounds = append(sizes, 0), append(steps, r.at-previous.at), append(bounds, r.bound)
			previous = *r
		}
		ranks, flags = append(ranks, order.rank(place[r.channel])), append(flags, int64(r.flags))
	}
	e.golomb(uint64(len(sizes)-1), lengthOrder)
	e.column(sizes, sizeOrder)
	e.column(steps, stepOrder)
	e.column(bounds, boundOrder)
	e.column(ranks, rankOrder)
	for i := range e.channels {
		if c := &e.channels[i]; c.grid == nil {
			e.column(c.codes, codeOrder)
		}
	}
	e.column(flags, flagsOrder)
	e.columns = [5][]int64{sizes, steps, bounds, ranks, flags}
}

func (e *encoder) writeGrid(c *channel, first int64) {
	g := c.grid
	e.golomb(uint64(g.base-first), baseOrder)
	e.golomb(uint64(g.step), periodOrder)
	skips := g.slots[1:]
	for i := len(skips) - 1; i >= 0; i-- {
		skips[i] -= g.slots[i] + 1
	}
	e.column(skips, skipOrder)
	e.column(g.residuals[1:], residualOrder)
	e.column(c.bounds, boundOrder)
	e.column(c.codes, codeOrder)
	e.column(c.flags, flagsOrder)
}
