package block

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
)

// MaxLength is more bytes than any block has: MaxSamples readings of random content take less.
const MaxLength = 32 << 20

// Of every version the first twelve bytes (magic, version, three zeros, length) and the last four (the checksum of
// all before) are the same, so blocks are found and told to be whole without knowing what is in them.
const leastBlock = envelopeSize + sumSize

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

// Read reads the block that comes next from r, whatever its version, into buffer, or into a larger one. At the end of
// r the error is io.EOF, in the midst of a block io.ErrUnexpectedEOF, and ErrDamaged, wrapped, for what is no whole
// block.
func Read(r io.Reader, buffer []byte) ([]byte, error) {
	b := append(buffer[:0], make([]byte, envelopeSize)...)
	if _, err := io.ReadFull(r, b); err != nil {
		return nil, err
	}
	n := binary.BigEndian.Uint32(b[8:])
	if [4]byte(b) != magic || n < leastBlock || n > MaxLength {
		return nil, damaged("what comes is no block, it begins with % x", b)
	}
	b = append(b, make([]byte, n-envelopeSize)...)
	if _, err := io.ReadFull(r, b[envelopeSize:]); err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	return b, checksum(b)
}
