package block

import (
	"encoding/binary"
	"time"
)

// Version 1. Numbers in the header are big-endian, behind the envelope that all versions have.
//
//	offset  bytes  what
//	    12      4  count of readings, at least 1
//	    16      8  number of the session
//	    24      8  sequence number in the session
//	    32      8  first instant, in ticks, signed: that of the first reading as given
//	    40      8  last instant, in ticks, signed: the greatest of all readings
//	    48      4  tick, nanoseconds: the resolution of all instants and half widths
//	    52      .  five columns, each a varint of its bytes and then those bytes:
//	               runs      one for each run of readings with equal instant and equal half width:
//	                         varint 2·z + more, z the signed distance from the run before (the first run: from
//	                         the first instant) in ticks; if more is 1, a varint of the run's length − 2
//	               channels  varint count of different channels, a varint for each in order of appearance;
//	                         then for each reading the varint index into that list
//	               halves    one for each run: signed varint, difference in ticks to the half width of the run
//	                         before that began with the same channel (0 if there is none)
//	               codes     one for each reading: signed varint, difference, modulo 2^64, to the code before
//	                         of the same channel (0 if there is none)
//	               flags     runs: one byte, then a varint of the run's length − 1
//
// Readings come in the order in which they were given.
const (
	headerSize1 = 52
	maxSamples1 = 1 << 20
)

func readHeader1(b []byte) (h Header, body []byte, err error) {
	if len(b) < headerSize1+sumSize {
		return Header{}, nil, damaged("%d bytes are too few, a block of version 1 has at least %d", len(b), headerSize1+sumSize)
	}
	h = Header{
		Version:  1,
		Length:   len(b),
		Count:    int(int32(binary.BigEndian.Uint32(b[12:]))),
		Session:  binary.BigEndian.Uint64(b[16:]),
		Sequence: binary.BigEndian.Uint64(b[24:]),
		Tick:     time.Duration(binary.BigEndian.Uint32(b[48:])),
	}
	if h.Tick < 1 || h.Tick > maxTick {
		return Header{}, nil, damaged("its tick is %d ns", int64(h.Tick))
	}
	// Every reading takes at least one byte in each of two columns, so a count cannot promise more than came.
	if h.Count < 1 || h.Count > maxSamples1 || h.Count > (len(b)-headerSize1-sumSize)/2 {
		return Header{}, nil, damaged("%d bytes cannot hold %d readings", len(b), h.Count)
	}
	var okFirst, okLast bool
	h.First, okFirst = instant(int64(binary.BigEndian.Uint64(b[32:])), h.Tick)
	h.Last, okLast = instant(int64(binary.BigEndian.Uint64(b[40:])), h.Tick)
	if !okFirst || !okLast || h.Last < h.First {
		return Header{}, nil, damaged("its instants are out of range")
	}
	return h, b[headerSize1 : len(b)-sumSize], nil
}

func decode1(h Header, body []byte, out []Sample) error {
	d := decoder1{tick: h.Tick, first: int64(h.First / h.Tick)}
	rest := column1{body}
	for _, c := range []*column1{&d.runs, &d.channels, &d.halves, &d.codes, &d.flags} {
		n, ok := rest.uvarint()
		if !ok || n > uint64(len(rest.b)) {
			return damaged("a column is longer than the block")
		}
		c.b, rest.b = rest.b[:n], rest.b[n:]
	}
	if len(rest.b) > 0 {
		return damaged("%d bytes follow the last column", len(rest.b))
	}
	return d.decode(out, int64(h.Last/h.Tick))
}

// column1 is a stretch of bytes that is eaten from the front.
type column1 struct{ b []byte }

func (c *column1) uvarint() (uint64, bool) {
	if len(c.b) > 0 && c.b[0] < 0x80 { // most are this short
		v := uint64(c.b[0])
		c.b = c.b[1:]
		return v, true
	}
	v, n := binary.Uvarint(c.b)
	if n <= 0 {
		return 0, false
	}
	c.b = c.b[n:]
	return v, true
}

func (c *column1) byte() (byte, bool) {
	if len(c.b) == 0 {
		return 0, false
	}
	v := c.b[0]
	c.b = c.b[1:]
	return v, true
}

// channelState1 is what the next reading of a channel is told relative to.
type channelState1 struct{ code, half int64 }

type decoder1 struct {
	tick  time.Duration
	first int64

	runs, channels, halves, codes, flags column1

	names []uint16
	state []channelState1
}

func (d *decoder1) decode(out []Sample, last int64) error {
	if err := d.readNames(len(out)); err != nil {
		return err
	}
	greatest := d.first
	ticks := d.first
	for i := 0; i < len(out); {
		step, length, err := d.readRun(i, len(out)-i)
		if err != nil {
			return err
		}
		ticks += step // both are within ±2^62, so the sum cannot wrap
		at, ok := instant(ticks, d.tick)
		if !ok || i == 0 && step != 0 {
			return damaged("the instant of reading %d is out of range", i)
		}
		greatest = max(greatest, ticks)
		for k := range out[i : i+length] {
			if err := d.readSample(&out[i+k], i+k, k == 0, out[i].Half); err != nil {
				return err
			}
			out[i+k].At = at
		}
		i += length
	}
	if greatest != last {
		return damaged("its last instant is not the one in its header")
	}
	if err := d.readFlags(out); err != nil {
		return err
	}
	for _, c := range []*column1{&d.runs, &d.channels, &d.halves, &d.codes, &d.flags} {
		if len(c.b) > 0 {
			return damaged("a column holds more than its readings")
		}
	}
	return nil
}

func (d *decoder1) readNames(count int) error {
	n, ok := d.channels.uvarint()
	if !ok || n > uint64(count) || n > 1<<16 {
		return damaged("%d channels for %d readings", n, count)
	}
	d.names, d.state = make([]uint16, n), make([]channelState1, n)
	for i := range d.names {
		v, ok := d.channels.uvarint()
		if !ok || v > 0xFFFF {
			return damaged("channel %d has no number", i)
		}
		d.names[i] = uint16(v)
	}
	return nil
}

// readRun returns the run's distance in ticks from the one before, and its length, at most left.
func (d *decoder1) readRun(i, left int) (step int64, length int, err error) {
	v, ok := d.runs.uvarint()
	if !ok {
		return 0, 0, damaged("reading %d has no instant", i)
	}
	if v&1 == 0 {
		return unzigzag(v >> 1), 1, nil
	}
	more, ok := d.runs.uvarint()
	if !ok || left < 2 || more > uint64(left-2) {
		return 0, 0, damaged("the run that begins with reading %d has no length", i)
	}
	return unzigzag(v >> 1), int(more) + 2, nil
}

// readSample fills all but the instant and the flags of reading i. The first of a run brings the half width, the
// others share it.
func (d *decoder1) readSample(s *Sample, i int, lead bool, half time.Duration) error {
	place, ok := d.channels.uvarint()
	if !ok || place >= uint64(len(d.names)) {
		return damaged("reading %d has no channel", i)
	}
	delta, ok := d.codes.uvarint()
	if !ok {
		return damaged("reading %d has no code", i)
	}
	state := &d.state[place]
	state.code += unzigzag(delta)
	if lead {
		delta, ok := d.halves.uvarint()
		state.half += unzigzag(delta)
		if !ok || state.half < 0 || state.half > int64(MaxInstant/d.tick) {
			return damaged("the half width of reading %d is out of range", i)
		}
		half = time.Duration(state.half) * d.tick
	}
	*s = Sample{Half: half, Channel: d.names[place], Code: state.code}
	return nil
}

func (d *decoder1) readFlags(out []Sample) error {
	for i := 0; i < len(out); {
		mark, ok := d.flags.byte()
		n, ok2 := d.flags.uvarint()
		if !ok || !ok2 || n >= uint64(len(out)-i) {
			return damaged("the flags of reading %d are out of range", i)
		}
		for end := i + int(n) + 1; i < end; i++ {
			out[i].Flags = Flags(mark)
		}
	}
	return nil
}
