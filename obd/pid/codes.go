package pid

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"underdash/obd"
)

// TroubleCode writes the two bytes of a diagnostic trouble code as SAE J2012 does: 01 43 is P0143.
func TroubleCode(hi, lo byte) string {
	return fmt.Sprintf("%c%d%X%02X", "PCBU"[hi>>6], hi>>4&3, hi&0x0F, lo)
}

// TroubleCodes reads one message of service 03, 07 or 0A (43, 47 or 4A and what follows). On CAN a count comes first,
// and counted must be true; older buses send three codes a message without a count. The bytes alone do not tell which:
// 43 01 43 begins one code on CAN and P0143 elsewhere. Pairs of 00 00 are padding. The error is an *Error with
// ErrNotAnswer or ErrLength.
func TroubleCodes(payload []byte, counted bool) ([]string, error) {
	if len(payload) == 0 {
		return nil, &Error{Err: ErrNotAnswer, Want: "it begins with 43, 47 or 4A"}
	}
	service := obd.Service(payload[0] - obd.ResponseOffset)
	if service != obd.StoredCodes && service != obd.PendingCodes && service != obd.PermanentCodes {
		return nil, &Error{Service: service, Bytes: len(payload), Err: ErrNotAnswer, Want: "it begins with 43, 47 or 4A"}
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

// VIN reads the vehicle identification number, 17 characters, from what one engine computer answered to 09 02: one
// message on CAN, five of four characters on older buses, in any order. The error is an *Error.
func VIN(messages ...[]byte) (string, error) {
	data, err := vehicleInfo(0x02, messages)
	if err != nil {
		return "", err
	}
	vin := printable(data)
	if len(vin) != 17 {
		return "", &Error{Service: obd.VehicleInfo, PID: 0x02, Bytes: len(data), Err: ErrLength, Want: "17 characters are right"}
	}
	return vin, nil
}

// CalibrationIDs reads the names of the calibrations in one engine computer from its answer to 09 04: any number of up
// to 16 characters each. The error is an *Error.
func CalibrationIDs(messages ...[]byte) ([]string, error) {
	return infoItems(0x04, 16, messages, printable)
}

// CVNs reads the calibration verification numbers, eight hexadecimal digits each, from an answer to 09 06; they stand
// in the order of the calibration IDs. The error is an *Error.
func CVNs(messages ...[]byte) ([]string, error) {
	return infoItems(0x06, 4, messages, func(b []byte) string { return fmt.Sprintf("%X", b) })
}

func infoItems(t obd.PID, size int, messages [][]byte, write func([]byte) string) ([]string, error) {
	data, err := vehicleInfo(t, messages)
	if err != nil {
		return nil, err
	}
	if len(data) == 0 || len(data)%size != 0 {
		return nil, &Error{Service: obd.VehicleInfo, PID: t, Bytes: len(data), Err: ErrLength,
			Want: fmt.Sprintf("items have %d bytes each", size)}
	}
	var items []string
	for part := range slices.Chunk(data, size) {
		items = append(items, write(part))
	}
	return items, nil
}

// vehicleInfo joins what follows 49 and the InfoType. On CAN the byte after them counts items and one message holds
// all; on older buses it numbers messages of four bytes each.
func vehicleInfo(t obd.PID, messages [][]byte) ([]byte, error) {
	if len(messages) == 0 {
		return nil, &Error{Service: obd.VehicleInfo, PID: t, Err: ErrNotAnswer, Want: "at least one message is needed"}
	}
	sorted := slices.Clone(messages)
	for _, m := range sorted {
		if len(m) < 3 || m[0] != byte(obd.VehicleInfo)+obd.ResponseOffset || obd.PID(m[1]) != t {
			return nil, &Error{Service: obd.VehicleInfo, PID: t, Bytes: len(m), Err: ErrNotAnswer,
				Want: fmt.Sprintf("it begins with 49 %s and a count", t)}
		}
	}
	slices.SortStableFunc(sorted, func(a, b []byte) int { return int(a[2]) - int(b[2]) })
	var data []byte
	for _, m := range sorted {
		data = append(data, m[3:]...)
	}
	return data, nil
}

// printable drops the 00 that pad texts at either end and shows anything else that is no printable ASCII as '?'.
func printable(b []byte) string {
	b = bytes.Trim(b, "\x00")
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7E {
			return '?'
		}
		return r
	}, string(b)))
}
