// Package block is the codec of the session store: a run of readings to bytes and back. It is pure, knows nothing of
// files, and every block explains and checks itself, so blocks can be found and believed without the file around them.
//
// Version 1. Numbers in the header are big-endian. Varints are those of encoding/binary; "signed" means zigzag.
//
//	offset  bytes  what
//	     0      4  magic "udBk"
//	     4      1  version, 1
//	     5      3  zero
//	     8      4  length of the whole block, magic to checksum
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
//	   end      4  CRC-32C (Castagnoli) of everything before it
package block

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"time"
)

// Sample is one reading.
type Sample struct {
	At      time.Duration // since the session's clock started; may be negative for readings kept from before
	Half    time.Duration // half width of the span At may be wrong by, at least 0
	Channel uint16
	Code    int64 // raw integer
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
	First    time.Duration // instant of the first reading; set by Append
	Last     time.Duration // greatest instant; set by Append
	Count    int           // of readings; set by Append
	Length   int           // bytes of the whole block; set by Append
}

const (
	// Version is the newest byte layout, the one that is written.
	Version = 1
	// DefaultTick is the resolution instants are stored with unless told otherwise. An OBD instant is known to
	// some milliseconds and an ADC's to some hundred microseconds.
	DefaultTick = time.Microsecond
	// MaxSamples is the most readings one block takes.
	MaxSamples = 1 << 20
	// MaxInstant is the greatest distance of an instant from 0, and the greatest half width: 36 years.
	MaxInstant = time.Duration(1 << 60)

	maxTick    = time.Second
	headerSize = 52
	sumSize    = 4
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
	if len(b) < headerSize+sumSize {
		return Header{}, damaged("%d bytes are too few, a block has at least %d", len(b), headerSize+sumSize)
	}
	if [4]byte(b[:4]) != magic {
		return Header{}, damaged("it begins with % x instead of % x", b[:4], magic[:])
	}
	h := Header{
		Version:  b[4],
		Length:   int(int32(binary.BigEndian.Uint32(b[8:]))),
		Count:    int(int32(binary.BigEndian.Uint32(b[12:]))),
		Session:  binary.BigEndian.Uint64(b[16:]),
		Sequence: binary.BigEndian.Uint64(b[24:]),
		Tick:     time.Duration(binary.BigEndian.Uint32(b[48:])),
	}
	if h.Length != len(b) {
		return Header{}, damaged("it is %d bytes long and says %d", len(b), h.Length)
	}
	if h.Version != Version {
		return Header{}, fmt.Errorf("%w: version %d, this program reads version %d", ErrVersion, h.Version, Version)
	}
	if h.Tick < 1 || h.Tick > maxTick {
		return Header{}, damaged("its tick is %d ns", int64(h.Tick))
	}
	// Every reading takes at least one byte in each of two columns, so a count cannot promise more than came.
	if h.Count < 1 || h.Count > MaxSamples || h.Count > (len(b)-headerSize-sumSize)/2 {
		return Header{}, damaged("%d bytes cannot hold %d readings", len(b), h.Count)
	}
	var okFirst, okLast bool
	h.First, okFirst = instant(int64(binary.BigEndian.Uint64(b[32:])), h.Tick)
	h.Last, okLast = instant(int64(binary.BigEndian.Uint64(b[40:])), h.Tick)
	if !okFirst || !okLast || h.Last < h.First {
		return Header{}, damaged("its instants are out of range")
	}
	return h, nil
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
