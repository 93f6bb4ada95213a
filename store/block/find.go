package block

import (
	"bytes"
	"encoding/binary"
)

// Of every version the first twelve bytes (magic, version, three zeros, length) and the last four (the checksum of
// all before) are the same, so blocks are found and told to be whole without knowing what is in them.
const leastBlock = 12 + sumSize

// Next finds the first whole block in b, whatever its version, and returns where it begins and how long it is: magic,
// length and checksum agree. It reads blocks that stand one behind the other, and finds those that are left between
// damaged ones. ok is false if there is none.
func Next(b []byte) (start, length int, ok bool) {
	for at := 0; ; at++ {
		found := bytes.Index(b[at:], magic[:])
		if found < 0 {
			return 0, 0, false
		}
		at += found
		rest := b[at:]
		if len(rest) < leastBlock {
			return 0, 0, false
		}
		n := uint64(binary.BigEndian.Uint32(rest[8:]))
		if n >= leastBlock && n <= uint64(len(rest)) && checksum(rest[:n]) == nil {
			return at, int(n), true
		}
	}
}

// Check reads the header of one whole block and compares the checksum. It is for those who count blocks and pass them
// on; only Decode looks at what is inside. It returns ErrDamaged or ErrVersion, wrapped.
func Check(b []byte) (Header, error) {
	h, err := ReadHeader(b)
	if err != nil {
		return Header{}, err
	}
	if err := checksum(b); err != nil {
		return Header{}, err
	}
	return h, nil
}
