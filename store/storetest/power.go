package storetest

import (
	"bytes"
	"math/rand/v2"
)

const (
	pageSize   = 4096 // of bbolt, and what Linux writes at a time
	sectorSize = 512  // what a medium writes whole or not at all
	metaPages  = 2    // the first, which a commit writes one of, when everything else is on the medium
	metaBytes  = 96   // of a meta page that mean anything, and some
)

// Cut returns what a session file may look like when the power goes during a commit that turns before into after. A
// commit writes pages in any order, waits until they are on the medium, and then writes one of the two first pages.
// So either an arbitrary part of the changed pages is there, torn at sectors, or all of them and a part of the first
// page, torn anywhere: media are known to tear what they promise not to.
func Cut(r *rand.Rand, before, after []byte) []byte {
	image := bytes.Clone(before)
	if len(after) > len(before) && r.IntN(2) == 0 {
		image = append(image, make([]byte, len(after)-len(before))...) // a file is made longer before the pages are written
	}
	whole := r.IntN(2) == 0 // the pages are all there, and the first page is being written
	if whole {
		image = append(bytes.Clone(after[:metaPages*pageSize]), after[metaPages*pageSize:]...)
		copy(image, before[:metaPages*pageSize])
		for page := range metaPages {
			at := page * pageSize
			if !bytes.Equal(before[at:at+pageSize], after[at:at+pageSize]) {
				n := r.IntN(metaBytes + 1)
				copy(image[at:at+n], after[at:])
			}
		}
		return image
	}
	likely := r.Float64() // how much of it got there, as a share
	for at := metaPages * pageSize; at < len(after); at += sectorSize {
		end := min(at+sectorSize, len(after))
		if end > len(before) || !bytes.Equal(before[at:end], after[at:end]) {
			if r.Float64() < likely {
				if end > len(image) {
					image = append(image, make([]byte, end-len(image))...)
				}
				copy(image[at:end], after[at:end])
			}
		}
	}
	return image
}

// CutNew returns what a file that is being written for the first time may look like when the power goes: nothing of
// it is known to be on the medium.
func CutNew(r *rand.Rand, after []byte) []byte {
	image := make([]byte, r.IntN(len(after)+1))
	likely := r.Float64()
	for at := 0; at < len(image); at += sectorSize {
		if r.Float64() < likely {
			copy(image[at:], after[at:min(at+sectorSize, len(image))])
		}
	}
	return image
}
