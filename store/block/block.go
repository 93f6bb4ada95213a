// Package block is the codec of the session store: a run of readings to bytes and back. It is pure, knows nothing of
// files, and every block explains and checks itself, so blocks can be found and believed without the file around them.
//
// Every version has the same envelope. Numbers are big-endian.
//
//	offset  bytes  what
//	     0      4  magic "udBk"
//	     4      1  version
//	     5      3  zero
//	     8      4  length of the whole block, magic to checksum
//	   end      4  CRC-32C (Castagnoli) of everything before it
//
// Version 2, the one that is written. Varints are those of encoding/binary; "signed" means zigzag.
//
//	bytes  what
//	   12  the envelope
//	    .  varint: number of the session
//	    .  varint: sequence number in the session
//	    .  varint: tick, nanoseconds: the resolution of all instants and half widths
//	    .  varint: count of readings, at least 1
//	    .  signed varint: first instant, ticks
//	    .  varint: last instant less the first, ticks
//	    .  bits, the first in the highest bit of a byte, filled up with zeros to a whole byte:
//	       CHANNELS, then the LOG if a channel is in it, then a GRID for each channel that has one
//
// Readings are those of the log, of all channels that share one column of instants, and those of channels with a
// grid, which are read by a timer. What is read comes in the order of instants; of equal instants the log's come
// first, then those of channels with a grid in the order of their numbers. In what follows Gn is an exponential
// Golomb code of order n (bits.go) and Cn a column whose first number is a signed Golomb code of order n (column.go).
//
//	CHANNELS   G3    channels, less 1; then for each, in the order of their numbers:
//	           G1    its number, less the one before, less 1 (the first: its number)
//	           1     1 if it has a grid
//	           G8    if it has: its readings, less 1
//	LOG        G8    requests, less 1
//	           C1    for each request: readings that share its instant and half width, less 1
//	           C8    for each request: ticks since the one before (the first: since the first instant)
//	           C4    for each request: half width, as a place on the scale of half widths (bound.go)
//	           C2    for each reading: its channel's rank (order.go)
//	           C6    for each channel in the log: its codes
//	           C1    for each reading: flags
//	GRID       G8    its first instant, ticks since the block's first
//	           G20   step of the grid, in ticks/65536
//	           C1    for each reading but the first: steps since the one before, less 1
//	           C4    for each reading but the first: ticks from the grid (grid.go)
//	           C4    for each reading: half width, as a place on the scale
//	           C6    for each reading: its code
//	           C1    for each reading: flags
//
// Version 1 is drawn in version1.go; its blocks are read for ever.
package block

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"time"
)

// The orders of the Golomb codes drawn above: about as many bits as the numbers have at the least.
const (
	countOrder  = 3
	gapOrder    = 1
	lengthOrder = 8
	baseOrder   = 8
	periodOrder = 20

	sizeOrder     = 1
	stepOrder     = 8
	boundOrder    = 4
	rankOrder     = 2
	codeOrder     = 6
	flagsOrder    = 1
	skipOrder     = 1
	residualOrder = 4
)

// Sample is one reading.
type Sample struct {
	At      time.Duration // since the session's clock started; may be negative for readings kept from before
	Half    time.Duration // half width of the span At may be wrong by, at least 0
	Code    int64         // raw integer
	Channel uint16
	Flags   Flags
}

// Flags are eight marks whose meaning is the caller's.
type Flags uint8

// Header is what a block says about itself.
type Header struct {
	Version  uint8 // of the byte layout; Append writes the newest
	Session  uint64
	Sequence uint64
	Tick     time.Duration // resolution of instants, 1 ns to 1 s; Append takes 0 as DefaultTick
	First    time.Duration // least instant (version 1: that of the first reading); set by Append
	Last     time.Duration // greatest instant; set by Append
	Count    int           // of readings; set by Append
	Length   int           // bytes of the whole block; set by Append
}

const (
	// Version is the newest byte layout, the one that is written.
	Version = 2
	// DefaultTick is the resolution instants are stored with unless told otherwise. An OBD instant is known to
	// some milliseconds and an ADC's to some hundred microseconds.
	DefaultTick = 100 * time.Microsecond
	// MaxSamples is the most readings one block takes.
	MaxSamples = 1 << 18
	// MaxInstant is the greatest distance of an instant from 0, and the greatest half width: 36 years.
	MaxInstant = time.Duration(1 << 60)

	maxTick      = time.Second
	envelopeSize = 12
	sumSize      = 4
)

var magic = [4]byte{'u', 'd', 'B', 'k'}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var (
	// ErrDamaged says that the bytes are not, or no longer, a block: nothing in them can be believed.
	ErrDamaged = errors.New("damaged block")
	// ErrVersion says that the block is whole and was written by a newer program.
	ErrVersion = errors.New("block of an unknown version")
	// ErrRange says that readings cannot be stored as asked.
	ErrRange = errors.New("reading out of range")
)

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

// ReadHeader reads a block's header without checking the checksum, for those who count. It returns ErrDamaged or
// ErrVersion, wrapped. b is one whole block.
func ReadHeader(b []byte) (Header, error) {
	h, _, err := readHeader(b)
	return h, err
}

// readHeader also returns what lies between header and checksum.
func readHeader(b []byte) (h Header, body []byte, err error) {
	if len(b) < leastBlock {
		return Header{}, nil, damaged("%d bytes are too few, a block has at least %d", len(b), leastBlock)
	}
	if [4]byte(b[:4]) != magic {
		return Header{}, nil, damaged("it begins with % x instead of % x", b[:4], magic[:])
	}
	if said := binary.BigEndian.Uint32(b[8:]); uint64(said) != uint64(len(b)) {
		return Header{}, nil, damaged("it is %d bytes long and says %d", len(b), said)
	}
	switch b[4] {
	case 1:
		return readHeader1(b)
	case 2:
		return readHeader2(b)
	}
	return Header{}, nil, fmt.Errorf("%w: version %d, this program reads versions 1 to %d", ErrVersion, b[4], Version)
}

func readHeader2(b []byte) (h Header, body []byte, err error) {
	rest := column1{b[envelopeSize : len(b)-sumSize]}
	var fields [6]uint64
	for i := range fields {
		v, ok := rest.uvarint()
		if !ok {
			return Header{}, nil, damaged("its header is cut short")
		}
		fields[i] = v
	}
	h = Header{Version: 2, Length: len(b), Session: fields[0], Sequence: fields[1]}
	if fields[2] < 1 || fields[2] > uint64(maxTick) {
		return Header{}, nil, damaged("its tick is %d ns", fields[2])
	}
	h.Tick = time.Duration(fields[2])
	if fields[3] < 1 || fields[3] > MaxSamples {
		return Header{}, nil, damaged("a block cannot hold %d readings", fields[3])
	}
	h.Count = int(fields[3])
	first := unzigzag(fields[4])
	var okFirst, okLast bool
	h.First, okFirst = instant(first, h.Tick)
	if okFirst && fields[5] < 1<<62 {
		h.Last, okLast = instant(first+int64(fields[5]), h.Tick)
	}
	if !okFirst || !okLast {
		return Header{}, nil, damaged("its instants are out of range")
	}
	return h, rest.b, nil
}

// checksum compares the block's last four bytes with what the others sum up to.
func checksum(b []byte) error {
	want := binary.BigEndian.Uint32(b[len(b)-sumSize:])
	if got := crc32.Checksum(b[:len(b)-sumSize], castagnoli); got != want {
		return damaged("its checksum is %08x and should be %08x", got, want)
	}
	return nil
}

// instant is ticks as a duration, and whether that is one a block may hold.
func instant(ticks int64, tick time.Duration) (time.Duration, bool) {
	limit := int64(MaxInstant / tick)
	if ticks > limit || ticks < -limit {
		return 0, false
	}
	return time.Duration(ticks) * tick, true
}

func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }
