package pid

import (
	"underdash/obd"
)

// otherWidths are the data bytes of parameters that have no decoder here, needed to walk an answer that holds several
// parameters (SAE J1699-3, SidSaveResponseData.c).
var otherWidths = map[int][]obd.PID{
	1:  {0x1E, 0x5F, 0x7D, 0x7E},
	2:  {0x65, 0x92},
	3:  {0x90, 0x93},
	4:  {0x9B, 0xC0, 0xE0},
	5:  {0x74, 0x86, 0x91},
	6:  {0x9A},
	7:  {0x7A, 0x7B, 0x8B, 0x8F},
	9:  {0x7C, 0x98, 0x99, 0x9F, 0xA1},
	10: {0x85},
	12: {0x94},
	13: {0x88},
	41: {0x81, 0x82, 0x89, 0x8A},
}

var widths [256]uint8 // 0 = unknown

// fillWidths is called once the table stands.
func fillWidths() {
	for n, pids := range otherWidths {
		for _, p := range pids {
			widths[p] = uint8(n)
		}
	}
	for p, t := range table {
		if t != nil {
			widths[p] = uint8(t.Bytes)
		}
	}
}

// Width returns the number of data bytes of parameter p in service 01, and false if it is not known. The trims 06 to
// 09 and 55 to 58 count one byte; on a car with banks 3 and 4 they have two.
func Width(p obd.PID) (int, bool) { return int(widths[p]), widths[p] > 0 }

// Split walks the payload of a positive answer in service 01, 41 PID data PID data and so on, and yields each
// parameter with its data, in the payload's order, until yield returns false. Trims are taken with one byte, and with
// two where only that makes the walk come out even. If it never does, Split yields what comes before the fault and
// returns an *Error with ErrUnknown or ErrLength for the parameter at which it stopped; a caller who needs a whole
// answer then drops it all. A payload that does not begin with 41 gives ErrNotAnswer.
func Split(payload []byte, yield func(p obd.PID, data []byte) bool) error {
	if len(payload) < 2 || payload[0] != byte(obd.CurrentData)+obd.ResponseOffset {
		return &Error{Service: obd.CurrentData, Bytes: len(payload), Err: ErrNotAnswer, Want: "it begins with 41 and a parameter"}
	}
	extra := 0
	if walk(payload, 0, nil) != nil && walk(payload, 1, nil) == nil {
		extra = 1
	}
	if f := walk(payload, extra, yield); f != nil {
		return f
	}
	return nil
}

func walk(payload []byte, extra int, yield func(p obd.PID, data []byte) bool) *Error {
	for rest := payload[1:]; len(rest) > 0; {
		p := obd.PID(rest[0])
		n := int(widths[p])
		if n == 0 {
			return &Error{Service: obd.CurrentData, PID: p, Bytes: len(rest) - 1, Err: ErrUnknown,
				Want: "so the end of its data cannot be found"}
		}
		if isTrim(p) {
			n += extra
		}
		if len(rest) < 1+n {
			return &Error{Service: obd.CurrentData, PID: p, Bytes: len(rest) - 1, Err: ErrLength, Want: "the answer is cut short"}
		}
		if yield != nil && !yield(p, rest[1:1+n:1+n]) {
			return nil
		}
		rest = rest[1+n:]
	}
	return nil
}

// Supported reads a support bitmap: the answer's four data bytes to parameter base (00, 20, 40 … E0), whose highest
// bit stands for base+1 and whose lowest for base+20h, the next bitmap. It returns the parameters whose bit is set, in
// order, and nil if bitmap does not have four bytes.
func Supported(base obd.PID, bitmap []byte) []obd.PID {
	if len(bitmap) != 4 {
		return nil
	}
	var pids []obd.PID
	for i := range 32 {
		if n := int(base) + 1 + i; bitmap[i/8]>>(7-i%8)&1 == 1 && n <= 0xFF {
			pids = append(pids, obd.PID(n))
		}
	}
	return pids
}
