package pid

import "underdash/obd"

// SplitFrozen walks the payload of a positive answer in service 02, 42 PID frame data PID frame data and so on, and
// yields each parameter with the number of its freeze frame and its data, in the payload's order, until yield returns
// false. Lengths are those of service 01 (SAE J1979), and so is what the bytes mean: Decode reads them. Errors are as
// for Split, with ErrNotAnswer for a payload that does not begin with 42.
func SplitFrozen(payload []byte, yield func(p obd.PID, frame byte, data []byte) bool) error {
	if len(payload) < 3 || payload[0] != byte(obd.FreezeFrame)+obd.ResponseOffset {
		return &Error{Service: obd.FreezeFrame, Bytes: len(payload), Err: ErrNotAnswer, Want: "it begins with 42, a parameter and a frame number"}
	}
	extra := 0
	if walkFrozen(payload, 0, nil) != nil && walkFrozen(payload, 1, nil) == nil {
		extra = 1
	}
	if f := walkFrozen(payload, extra, yield); f != nil {
		return f
	}
	return nil
}

func walkFrozen(payload []byte, extra int, yield func(p obd.PID, frame byte, data []byte) bool) *Error {
	for rest := payload[1:]; len(rest) > 0; {
		p := obd.PID(rest[0])
		n := int(widths[p])
		if n == 0 {
			return &Error{Service: obd.FreezeFrame, PID: p, Bytes: len(rest) - 1, Err: ErrUnknown,
				Want: "so the end of its data cannot be found"}
		}
		if isTrim(p) {
			n += extra
		}
		if len(rest) < 2+n {
			return &Error{Service: obd.FreezeFrame, PID: p, Bytes: len(rest) - 1, Err: ErrLength, Want: "the answer is cut short"}
		}
		if yield != nil && !yield(p, rest[1], rest[2:2+n:2+n]) {
			return nil
		}
		rest = rest[2+n:]
	}
	return nil
}
