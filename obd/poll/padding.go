package poll

import (
	"slices"

	"underdash/obd"
	"underdash/obd/pid"
)

// paddings are the bytes that engine computers fill a CAN frame with: 00, 55 and AA, and as rarely CC and FF (common practice).
var paddings = []byte{0x00, 0x55, 0xAA, 0xCC, 0xFF}

// unpadded is an answer of service 01 on CAN, to the parameters asked, without the filling behind it. Some copies print a frame's
// filling where they show no headers, and with it no length: 410C0AF4000000. Such an answer has the seven bytes of a whole frame,
// and behind what was asked nothing but one such byte, again and again. Any other payload is returned as it is.
func unpadded(payload []byte, asked []obd.PID, can bool) []byte {
	if !can || len(payload) != 7 || payload[0] != byte(obd.CurrentData)+obd.ResponseOffset {
		return payload
	}
	var seen []obd.PID
	for rest := payload[1:]; len(rest) > 0; {
		p := obd.PID(rest[0])
		if wanted := slices.Contains(asked, p) && !slices.Contains(seen, p); !wanted {
			padding := slices.Contains(paddings, rest[0]) && !slices.ContainsFunc(rest, func(b byte) bool { return b != rest[0] })
			if padding && len(seen) > 0 {
				return payload[:len(payload)-len(rest)]
			}
			return payload
		}
		n, known := pid.Width(p)
		if !known || len(rest) < 1+n {
			return payload
		}
		seen, rest = append(seen, p), rest[1+n:]
	}
	return payload
}
