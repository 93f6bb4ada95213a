package pid

import (
	"fmt"

	"underdash/obd"
)

// TroubleCode writes the two bytes of a diagnostic trouble code as SAE J2012 does: 01 43 is P0143.
func TroubleCode(hi, lo byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[hi>>6], hi>>4&3, hi&0x0F, lo)
}

// OnCAN reports whether an address is one of the identifiers that engine computers answer with on CAN, with 11 bits
// (7E8 to 7EF) or 29 bits (18DAF1xx), by ISO 15765-4. Older buses show a sender's byte. For 0, where the adapter does
// not show who answered, it is false on any bus: the protocol has to tell then.
func OnCAN(a obd.Address) bool { return a >= 0x7E8 && a <= 0x7EF || a>>8 == 0x18DAF1 }

// TroubleCodes reads one message of service 03, 07 or 0A (43, 47 or 4A and what follows). On CAN a count comes first,
// and counted must be true (OnCAN tells, or the protocol); older buses send three codes a message without a count. The bytes alone do
// not tell which: 43 01 43 begins one code on CAN and P0143 elsewhere. Pairs of 00 00 are padding. The error is an
// *Error with ErrNotAnswer or ErrLength.
func TroubleCodes(payload []byte, counted bool) ([]string, error) {
	const begins = "it begins with 43, 47 or 4A"
	if len(payload) == 0 {
		return nil, &Error{Err: ErrNotAnswer, Want: begins}
	}
	service := obd.Service(payload[0] - obd.ResponseOffset)
	if service != obd.StoredCodes && service != obd.PendingCodes && service != obd.PermanentCodes {
		return nil, &Error{Service: service, Bytes: len(payload), Err: ErrNotAnswer, Want: begins}
	}
	pairs := payload[1:]
	if counted {
		if len(pairs) == 0 || len(pairs)-1 != 2*int(pairs[0]) {
			return nil, &Error{Service: service, Bytes: len(payload), Err: ErrLength, Want: "two bytes follow for each code counted"}
		}
		pairs = pairs[1:]
	} else if len(pairs)%2 != 0 {
		return nil, &Error{Service: service, Bytes: len(payload), Err: ErrLength, Want: "codes have two bytes each"}
	}
	var codes []string
	for ; len(pairs) > 0; pairs = pairs[2:] {
		if pairs[0] != 0 || pairs[1] != 0 {
			codes = append(codes, TroubleCode(pairs[0], pairs[1]))
		}
	}
	return codes, nil
}
