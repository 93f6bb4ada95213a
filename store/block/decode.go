package block

import (
	"encoding/binary"
	"slices"
	"time"
)

// Decode checks a whole block and appends its readings to into. On an error, which wraps ErrDamaged or ErrVersion,
// into comes back as it was: a block is believed whole or not at all. It allocates no more than a small multiple of
// len(b), whatever the block claims.
func Decode(b []byte, into []Sample) (Header, []Sample, error) {
	h, err := ReadHeader(b)
	if err != nil {
		return Header{}, into, err
	}
	if err := checksum(b); err != nil {
		return Header{}, into, err
	}
	d := decoder{tick: h.Tick, first: int64(h.First / h.Tick)}
	rest := column{b: b[headerSize : len(b)-sumSize]}
	for _, c := range []*column{&d.runs, &d.channels, &d.halves, &d.codes, &d.flags} {
		n, ok := rest.uvarint()
		if !ok || n > uint64(len(rest.b)) {
			return Header{}, into, damaged("a column is longer than the block")
		}
		c.b, rest.b = rest.b[:n], rest.b[n:]
	}
	if len(rest.b) > 0 {
		return Header{}, into, damaged("%d bytes follow the last column", len(rest.b))
	}
	start := len(into)
	out := slices.Grow(into, h.Count)[:start+h.Count]
	if err := d.decode(out[start:], int64(h.Last/h.Tick)); err != nil {
		return Header{}, into, err
	}
	return h, out, nil
}

// column is a stretch of bytes that is eaten from the front.
type column struct{ b []byte }

func (c *column) uvarint() (uint64, bool) {
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

func (c *column) byte() (byte, bool) {
	if len(c.b) == 0 {
		return 0, false
	}
	v := c.b[0]
	c.b = c.b[1:]
	return v, true
}

type decoder struct {
	tick  time.Duration
	first int64

	runs, channels, halves, codes, flags column

	names []uint16
	state []channelState
}

func (d *decoder) decode(out []Sample, last int64) error {
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
	for _, c := range []*column{&d.runs, &d.channels, &d.halves, &d.codes, &d.flags} {
		if len(c.b) > 0 {
			return damaged("a column holds more than its readings")
		}
	}
	return nil
}

func (d *decoder) readNames(count int) error {
	n, ok := d.channels.uvarint()
	if !ok || n > uint64(count) || n > 1<<16 {
		return damaged("%d channels for %d readings", n, count)
	}
	d.names, d.state = make([]uint16, n), make([]channelState, n)
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
func (d *decoder) readRun(i, left int) (step int64, length int, err error) {
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
func (d *decoder) readSample(s *Sample, i int, lead bool, half time.Duration) error {
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

func (d *decoder) readFlags(out []Sample) error {
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
