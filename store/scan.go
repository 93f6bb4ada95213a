package store

import (
	"bytes"
	"cmp"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"underdash/store/block"
)

// What the pages of a damaged file no longer lead to may still be there. Blocks carry their own mark and checksum,
// and a description stands behind its key and before the key and the hex digits of its checksum: both are found by
// reading the file from end to end. bbolt writes changed pages elsewhere, so older copies are found too.

const (
	scanWindow  = 8 << 20
	scanOverlap = 4 << 20 // no less than the longest thing looked for: a block of maxBlock readings takes 1.3 MB
)

// scanned is what was found in a file by its marks.
type scanned struct {
	descriptions []Meta
	texts        [][]byte // of the descriptions, as stored
	seals        []Seal
	blocks       map[uint64][]scannedBlock // by session number; one of each sequence number, in their order
}

type scannedBlock struct {
	sequence uint64
	at       place
	count    int
}

// scan looks through a file for blocks and descriptions.
func scan(r io.ReaderAt, size int64) (*scanned, error) {
	s := &scanned{blocks: make(map[uint64][]scannedBlock)}
	window := make([]byte, min(size, scanWindow))
	for at := int64(0); at < size; at += scanWindow - scanOverlap {
		b := window[:min(size-at, int64(len(window)))]
		if _, err := r.ReadAt(b, at); err != nil {
			return nil, fmt.Errorf("read from byte %d on: %w", at, err)
		}
		s.blocksIn(b, at)
		s.recordsIn(b)
		if at+int64(len(b)) == size {
			break
		}
	}
	for number, blocks := range s.blocks {
		// A block whose commit failed may have been written again with more readings: the longer one holds both.
		slices.SortStableFunc(blocks, func(a, b scannedBlock) int {
			return cmp.Or(cmp.Compare(a.sequence, b.sequence), cmp.Compare(b.count, a.count))
		})
		s.blocks[number] = slices.CompactFunc(blocks, func(a, b scannedBlock) bool { return a.sequence == b.sequence })
	}
	return s, nil
}

func (s *scanned) blocksIn(b []byte, at int64) {
	for from := 0; ; {
		start, length, ok := block.Next(b[from:])
		if !ok {
			return
		}
		start += from
		from = start + length
		if h, err := block.ReadHeader(b[start:from]); err == nil { // else of an unknown version
			s.blocks[h.Session] = append(s.blocks[h.Session], scannedBlock{h.Sequence, place{at + int64(start), int64(length)}, h.Count})
		}
	}
}

func (s *scanned) recordsIn(b []byte) {
	for text := range records(b, metaKey, metaSumKey) {
		if m, err := decodeMeta(text, checksumText(text)); err == nil {
			s.descriptions = append(s.descriptions, m)
			s.texts = append(s.texts, bytes.TrimRight(bytes.Clone(text), " "))
		}
	}
	for text := range records(b, sealKey, sealSumKey) {
		if seal, err := decodeSeal(text, checksumText(text)); err == nil {
			s.seals = append(s.seals, seal)
		}
	}
}

// records yields the values that stand between a key and the key of their checksum, if that checksum is right.
func records(b, key, sumKey []byte) func(yield func(text []byte) bool) {
	mark := append(bytes.Clone(key), '{')
	return func(yield func([]byte) bool) {
		for from := 0; ; {
			i := bytes.Index(b[from:], mark)
			if i < 0 {
				return
			}
			from += i + len(key)
			rest := b[from:]
			for end := 0; ; {
				j := bytes.Index(rest[end:], sumKey)
				if j < 0 || end+j+len(sumKey)+8 > len(rest) {
					break
				}
				end += j
				text := rest[:end]
				if bytes.HasPrefix(rest[end+len(sumKey):], checksumText(text)) {
					if !yield(text) {
						return
					}
					from += end
					break
				}
				// The next copy's checksum is not this one's.
				if bytes.Contains(text, mark) {
					break
				}
				end += len(sumKey)
			}
		}
	}
}

func checksumText(text []byte) []byte {
	return fmt.Appendf(nil, "%08x", crc32.Checksum(text, castagnoli))
}

// newest is the description that was written last.
func (s *scanned) newest() (m Meta, text []byte, ok bool) {
	for i, d := range s.descriptions {
		if !ok || d.Revision > m.Revision || d.Revision == m.Revision && len(s.texts[i]) > len(text) {
			m, text, ok = d, s.texts[i], true
		}
	}
	return m, text, ok
}

// most is the session of which most blocks were found, for a file that says nothing else of itself.
func (s *scanned) most() (number uint64, ok bool) {
	for n, blocks := range s.blocks {
		if most := len(s.blocks[number]); len(blocks) > most || len(blocks) == most && n < number {
			number, ok = n, true
		}
	}
	return number, ok
}
