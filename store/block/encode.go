package block

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"time"
)

// Append encodes samples, in the order given, as one block of h.Session and h.Sequence behind dst. Instants are
// rounded to the nearest tick and half widths up, by as much as it takes to cover the rounding: the stored span
// holds the given one. An error wraps ErrRange, and dst comes back as it was.
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
	e := encoder{tick: h.Tick, index: make(map[uint16]int, 32)}
	for i, s := range samples {
		if err := e.add(s); err != nil {
			return dst, fmt.Errorf("reading %d: %w", i, err)
		}
	}
	return e.finish(dst, h, len(samples)), nil
}

// encoder fills the columns while it walks the readings once.
type encoder struct {
	tick time.Duration

	index map[uint16]int // channel to its place in state
	state []channelState
	names []byte

	runs, indices, halves, codes, flags []byte

	run         run // the run being collected
	first, last int64
	previous    int64 // instant of the run before
	mark        Flags // the flags being collected
	marked      int   // how many readings had them
}

// channelState is what the next reading of a channel is told relative to.
type channelState struct{ code, half int64 }

// run is a stretch of readings with equal instant and half width, in ticks.
type run struct {
	at, half int64
	lead     int // place of its first reading's channel
	length   int
}

func (e *encoder) add(s Sample) error {
	at, half, err := quantise(s, e.tick)
	if err != nil {
		return err
	}
	place, known := e.index[s.Channel]
	if !known {
		place = len(e.state)
		e.index[s.Channel] = place
		e.state = append(e.state, channelState{})
		e.names = binary.AppendUvarint(e.names, uint64(s.Channel))
	}
	if e.run.length > 0 && e.run.at == at && e.run.half == half {
		e.run.length++
	} else {
		e.endRun()
		if e.run.length == 0 {
			e.first, e.last, e.previous = at, at, at
		}
		e.run = run{at: at, half: half, lead: place, length: 1}
		e.last = max(e.last, at)
	}
	e.indices = binary.AppendUvarint(e.indices, uint64(place))
	e.codes = binary.AppendUvarint(e.codes, zigzag(s.Code-e.state[place].code))
	e.state[place].code = s.Code
	if e.marked > 0 && e.mark == s.Flags {
		e.marked++
	} else {
		e.endFlags()
		e.mark, e.marked = s.Flags, 1
	}
	return nil
}

func (e *encoder) endRun() {
	if e.run.length == 0 {
		return
	}
	v := zigzag(e.run.at-e.previous) << 1
	e.previous = e.run.at
	if e.run.length == 1 {
		e.runs = binary.AppendUvarint(e.runs, v)
	} else {
		e.runs = binary.AppendUvarint(e.runs, v|1)
		e.runs = binary.AppendUvarint(e.runs, uint64(e.run.length-2))
	}
	lead := &e.state[e.run.lead]
	e.halves = binary.AppendUvarint(e.halves, zigzag(e.run.half-lead.half))
	lead.half = e.run.half
}

func (e *encoder) endFlags() {
	if e.marked == 0 {
		return
	}
	e.flags = append(e.flags, byte(e.mark))
	e.flags = binary.AppendUvarint(e.flags, uint64(e.marked-1))
}

func (e *encoder) finish(dst []byte, h Header, count int) []byte {
	e.endRun()
	e.endFlags()
	start := len(dst)
	b := append(dst, magic[:]...)
	b = append(b, Version, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, 0) // the length, known below
	b = binary.BigEndian.AppendUint32(b, uint32(count))
	b = binary.BigEndian.AppendUint64(b, h.Session)
	b = binary.BigEndian.AppendUint64(b, h.Sequence)
	b = binary.BigEndian.AppendUint64(b, uint64(e.first))
	b = binary.BigEndian.AppendUint64(b, uint64(e.last))
	b = binary.BigEndian.AppendUint32(b, uint32(e.tick))
	b = appendColumn(b, e.runs)
	channels := binary.AppendUvarint(nil, uint64(len(e.state)))
	b = appendColumn(b, channels, e.names, e.indices)
	b = appendColumn(b, e.halves)
	b = appendColumn(b, e.codes)
	b = appendColumn(b, e.flags)
	binary.BigEndian.PutUint32(b[start+8:], uint32(len(b)-start+sumSize))
	return binary.BigEndian.AppendUint32(b, crc32.Checksum(b[start:], castagnoli))
}

func appendColumn(b []byte, parts ...[]byte) []byte {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	b = binary.AppendUvarint(b, uint64(n))
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

// quantise returns instant and half width in ticks.
func quantise(s Sample, tick time.Duration) (at, half int64, err error) {
	// One tick of room keeps the rounded values inside the range too.
	limit := MaxInstant - maxTick
	if s.At > limit || s.At < -limit {
		return 0, 0, fmt.Errorf("%w: an instant of %v, it must be within %v of the session's start", ErrRange, s.At, limit)
	}
	if s.Half < 0 || s.Half > limit {
		return 0, 0, fmt.Errorf("%w: a half width of %v, it must be 0 to %v", ErrRange, s.Half, limit)
	}
	rounded := s.At.Round(tick)
	cover := s.Half + (rounded - s.At).Abs()
	return int64(rounded / tick), int64((cover + tick - 1) / tick), nil
}
