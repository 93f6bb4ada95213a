package iio

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// scanType is how one element stands in a scan of the buffer:
//
//	[be|le]:[s|u]bits/storagebits[Xrepeat][>>shift]
//
// by the kernel's Documentation/ABI/testing/sysfs-bus-iio. An ADS1115 has le:s16/16>>0, an ADS1015 le:s12/16>>4.
type scanType struct {
	bigEndian, signed bool
	bits, storage     int // storage is 8, 16, 32 or 64
	repeat            int // how many there are, one after the other; 1 if the text has none
	shift             int
}

func parseScanType(text string) (t scanType, err error) {
	text = strings.TrimSpace(text)
	wrong := func(what string) (scanType, error) {
		return scanType{}, fmt.Errorf("%q is no type of a scan's element: %s; it is like le:s16/16>>0", text, what)
	}
	endian, rest, ok := strings.Cut(text, ":")
	if !ok || endian != "be" && endian != "le" {
		return wrong("it does not begin with be: or le:")
	}
	if rest == "" || rest[0] != 's' && rest[0] != 'u' {
		return wrong("neither s nor u says whether it is signed")
	}
	t.bigEndian, t.signed, rest = endian == "be", rest[0] == 's', rest[1:]
	if before, after, ok := strings.Cut(rest, ">>"); ok {
		if t.shift, ok = small(after); !ok {
			return wrong("its shift is no number")
		}
		rest = before
	}
	t.repeat = 1
	if before, after, ok := strings.Cut(rest, "X"); ok {
		if t.repeat, ok = small(after); !ok || t.repeat < 1 {
			return wrong("its repeat is no number above 0")
		}
		rest = before
	}
	bits, storage, _ := strings.Cut(rest, "/")
	if t.bits, ok = small(bits); !ok {
		return wrong("its bits are no number")
	}
	if t.storage, ok = small(storage); !ok || !slices.Contains([]int{8, 16, 32, 64}, t.storage) {
		return wrong("its storage is not 8, 16, 32 or 64 bits")
	}
	if t.bits < 1 || t.bits+t.shift > t.storage {
		return wrong("its bits do not fit its storage")
	}
	return t, nil
}

// small reads a decimal number of at most three digits.
func small(text string) (int, bool) {
	if text == "" || len(text) > 3 || strings.Trim(text, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.Atoi(text)
	return n, err == nil
}

// fits tells whether every number of the type is a code.
func (t scanType) fits() bool { return t.bits <= 31 || t.bits == 32 && t.signed }

// length is the bytes that the element takes.
func (t scanType) length() int { return t.storage / 8 * t.repeat }

// decode reads the element's first number from b, which begins with it. Bits that are not the number's may hold anything.
func (t scanType) decode(b []byte) int64 {
	var order binary.ByteOrder = binary.LittleEndian
	if t.bigEndian {
		order = binary.BigEndian
	}
	var word uint64
	switch t.storage {
	case 8:
		word = uint64(b[0])
	case 16:
		word = uint64(order.Uint16(b))
	case 32:
		word = uint64(order.Uint32(b))
	default:
		word = order.Uint64(b)
	}
	word >>= t.shift
	unused := 64 - t.bits
	if t.signed {
		return int64(word<<unused) >> unused
	}
	return int64(word << unused >> unused)
}

// element is one enabled element of a scan.
type element struct {
	name  string // "voltage0", "timestamp"
	index int
	typ   scanType
	at    int // where it stands, in bytes
}

// arrange gives the elements, in the order of a scan, their places, and returns the scan's length: ascending by index, each
// aligned to its own length, the timestamp last, the whole filled up to a multiple of the largest (the kernel's
// iio_compute_scan_bytes).
func arrange(elements []element) int {
	slices.SortStableFunc(elements, func(a, b element) int {
		if stamp := a.name == timestamp; stamp != (b.name == timestamp) {
			if stamp {
				return 1
			}
			return -1
		}
		return a.index - b.index
	})
	bytes, largest := 0, 1
	for i := range elements {
		length := elements[i].typ.length()
		bytes = align(bytes, length)
		elements[i].at = bytes
		bytes += length
		largest = max(largest, length)
	}
	return align(bytes, largest)
}

func align(n, to int) int { return (n + to - 1) / to * to }

// timestamp is the name of the scan's element that holds the instant, in nanoseconds of the device's clock.
const timestamp = "timestamp"
