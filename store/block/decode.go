package block

import (
	"slices"
	"sync"
	"time"
)

// Decode checks a whole block and appends its readings to into. On an error, which wraps ErrDamaged or ErrVersion,
// into comes back as it was: a block is believed whole or not at all. It takes less than 64 MB, whatever the block
// claims.
func Decode(b []byte, into []Sample) (Header, []Sample, error) {
	h, body, err := readHeader(b)
	if err != nil {
		return Header{}, into, err
	}
	if err := checksum(b); err != nil {
		return Header{}, into, err
	}
	start := len(into)
	out := slices.Grow(into, h.Count)[:start+h.Count]
	if h.Version == 1 {
		err = decode1(h, body, out[start:])
	} else {
		err = decode2(h, body, out[start:])
	}
	if err != nil {
		return Header{}, into, err
	}
	return h, out, nil
}

func decode2(h Header, body []byte, out []Sample) error {
	d := decoders.Get().(*decoder)
	defer func() {
		if cap(d.arena) <= 1<<18 {
			decoders.Put(d)
		}
	}()
	d.bitReader = bitReader{b: body}
	d.tick, d.first, d.last = h.Tick, int64(h.First/h.Tick), int64(h.Last/h.Tick)
	d.arena = d.arena[:0]
	return d.decode(out)
}

var decoders = sync.Pool{New: func() any { return new(decoder) }}

// decoder puts a block's readings together.
type decoder struct {
	bitReader
	tick        time.Duration
	first, last int64 // ticks
	log         []uint16
	grids       []gridChannel
	streams     []stream
	samples     []Sample
	counts      []int
	arena       []int64
}

type gridChannel struct {
	number uint16
	length int
}

// take is room for n numbers, with rubbish in it.
func (d *decoder) take(n int) []int64 {
	start := len(d.arena)
	if cap(d.arena) < start+n {
		d.arena = make([]int64, 0, max(2*cap(d.arena), n)) // what was taken before stays where it is
		start = 0
	}
	d.arena = d.arena[:start+n]
	return d.arena[start : start+n : start+n]
}

func (d *decoder) decode(out []Sample) error {
	inLog, err := d.readChannels(len(out))
	if err != nil {
		return err
	}
	d.streams = d.streams[:0]
	room := out // a single stream is the block
	if len(d.grids) > 1 || inLog > 0 && len(d.grids) > 0 {
		d.samples = slices.Grow(d.samples[:0], len(out))[:len(out)]
		room = d.samples
	}
	if inLog > 0 {
		d.streams = append(d.streams, room[:inLog])
		if err := d.readLog(room[:inLog]); err != nil {
			return err
		}
		room = room[inLog:]
	}
	for _, g := range d.grids {
		d.streams = append(d.streams, room[:g.length])
		if err := d.readGrid(g, room[:g.length]); err != nil {
			return err
		}
		room = room[g.length:]
	}
	if !d.atEnd() {
		return damaged("it ends before its readings do, or behind them")
	}
	if len(d.streams) > 1 {
		merge(d.streams, out)
	}
	if out[0].At != time.Duration(d.first)*d.tick || out[len(out)-1].At != time.Duration(d.last)*d.tick {
		return damaged("its first or its last instant is not the one in its header")
	}
	return nil
}

// readChannels reads which channels there are, and returns how many readings are left for the log.
func (d *decoder) readChannels(count int) (inLog int, err error) {
	n := d.golomb(countOrder)
	if n >= uint64(count) {
		return 0, damaged("%d readings cannot be of %d channels", count, n+1)
	}
	d.log, d.grids = d.log[:0], d.grids[:0]
	inLog = count
	next := uint64(0)
	for range n + 1 {
		gap := d.golomb(gapOrder)
		if gap > 0xFFFF || next+gap > 0xFFFF {
			return 0, damaged("a channel has no number")
		}
		number := next + gap
		next = number + 1
		if d.read(1) == 0 {
			d.log = append(d.log, uint16(number))
			continue
		}
		length := d.golomb(lengthOrder)
		if length >= uint64(inLog) || len(d.grids) == gridMost {
			return 0, damaged("channel %d has more readings than there are", number)
		}
		inLog -= int(length) + 1
		d.grids = append(d.grids, gridChannel{uint16(number), int(length) + 1})
	}
	if (inLog == 0) != (len(d.log) == 0) {
		return 0, damaged("%d readings are left for %d channels", inLog, len(d.log))
	}
	return inLog, nil
}

// readLog reads the readings that have no grid into out.
func (d *decoder) readLog(out []Sample) error {
	requests := d.golomb(lengthOrder)
	if requests >= uint64(len(out)) {
		return damaged("%d readings are of %d requests", len(out), requests+1)
	}
	n := int(requests) + 1
	sizes, steps, bounds := d.take(n), d.take(n), d.take(n)
	d.column(sizes, sizeOrder)
	d.column(steps, stepOrder)
	d.column(bounds, boundOrder)
	if err := d.readPlaces(out); err != nil {
		return err
	}
	at, filled := d.first, 0
	half := half{d: d}
	for i, size := range sizes {
		if size < 0 || size >= int64(len(out)-filled) {
			return damaged("request %d has no size", i)
		}
		if steps[i] < 0 || steps[i] > d.last-at {
			return damaged("the instant of request %d is out of range", i)
		}
		at += steps[i]
		width, ok := half.at(bounds[i])
		if !ok {
			return damaged("the half width of request %d is out of range", i)
		}
		when := time.Duration(at) * d.tick
		for k := range out[filled : filled+int(size)+1] {
			s := &out[filled+k]
			s.At, s.Half = when, width
		}
		filled += int(size) + 1
	}
	if filled != len(out) {
		return damaged("its requests have %d readings instead of %d", filled, len(out))
	}
	return nil
}

// readPlaces reads channels, codes and flags of the log.
func (d *decoder) readPlaces(out []Sample) error {
	places := d.take(len(out))
	d.column(places, rankOrder)
	d.counts = append(d.counts[:0], make([]int, len(d.log)+1)...)
	var order sequence
	for i, rank := range places {
		channel, ok := order.channel(rank, len(d.log))
		if !ok {
			return damaged("reading %d has no channel", i)
		}
		places[i] = int64(channel)
		d.counts[channel+1]++
	}
	codes := d.take(len(out))
	for c := range d.log {
		d.counts[c+1] += d.counts[c] // where the next channel's codes begin
		d.column(codes[d.counts[c]:d.counts[c+1]], codeOrder)
	}
	flags := d.take(len(out))
	d.column(flags, flagsOrder)
	for i, c := range places {
		if flags[i] < 0 || flags[i] > 0xFF {
			return damaged("the flags of reading %d are out of range", i)
		}
		s := &out[i]
		s.Code, s.Channel, s.Flags = codes[d.counts[c]], d.log[c], Flags(flags[i])
		d.counts[c]++
	}
	return nil
}

func (d *decoder) readGrid(g gridChannel, out []Sample) error {
	base, step := d.golomb(baseOrder), d.golomb(periodOrder)
	if base > uint64(d.last-d.first) {
		return damaged("the grid of channel %d begins out of range", g.number)
	}
	n := len(out)
	skips, residuals := d.take(n-1), d.take(n-1)
	bounds, codes, flags := d.take(n), d.take(n), d.take(n)
	d.column(skips, skipOrder)
	d.column(residuals, residualOrder)
	d.column(bounds, boundOrder)
	d.column(codes, codeOrder)
	d.column(flags, flagsOrder)
	half := half{d: d}
	start := d.first + int64(base)
	at, slot := start, int64(0)
	for i := range out {
		if i > 0 {
			slot += 1 + skips[i-1]
			next := start + onGrid(int64(step), slot) + residuals[i-1]
			if next < at || next > d.last {
				return damaged("the instant of reading %d of channel %d is out of range", i, g.number)
			}
			at = next
		}
		width, ok := half.at(bounds[i])
		if !ok || flags[i] < 0 || flags[i] > 0xFF {
			return damaged("the half width or the flags of reading %d of channel %d are out of range", i, g.number)
		}
		s := &out[i] // field by field: a whole one would be copied
		s.At, s.Half, s.Code, s.Channel, s.Flags = time.Duration(at)*d.tick, width, codes[i], g.number, Flags(flags[i])
	}
	return nil
}

// half remembers the half width that was read last: it is mostly the next one too.
type half struct {
	d     *decoder
	place int64
	width time.Duration
	ok    bool
}

func (h *half) at(place int64) (time.Duration, bool) {
	if !h.ok || place != h.place {
		n, ok := ticks(place, int64(MaxInstant/h.d.tick))
		*h = half{d: h.d, place: place, width: time.Duration(n) * h.d.tick, ok: ok}
	}
	return h.width, h.ok
}
