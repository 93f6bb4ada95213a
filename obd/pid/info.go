package pid

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"underdash/obd"
)

// The InfoTypes of service 09 that are read here.
const (
	InfoSupported   obd.PID = 0x00 // which others there are
	InfoVIN         obd.PID = 0x02 // vehicle identification number
	InfoCalibration obd.PID = 0x04 // names of the calibrations
	InfoCVN         obd.PID = 0x06 // their verification numbers
	InfoName        obd.PID = 0x0A // what the computer calls itself
)

// SupportedInfo reads the bitmap of InfoTypes from an answer to 09 00, in order: four bytes after 49 00 on CAN, on
// older buses with a count of messages before them. The error is an *Error.
func SupportedInfo(payload []byte) ([]obd.PID, error) {
	if len(payload) < 2 || payload[0] != byte(obd.VehicleInfo)+obd.ResponseOffset || payload[1] != byte(InfoSupported) {
		return nil, &Error{Service: obd.VehicleInfo, Bytes: len(payload), Err: ErrNotAnswer, Want: "it begins with 49 00"}
	}
	switch len(payload) {
	case 6:
		return Supported(0, payload[2:]), nil
	case 7:
		return Supported(0, payload[3:]), nil
	}
	return nil, &Error{Service: obd.VehicleInfo, Bytes: len(payload) - 2, Err: ErrLength, Want: "4 are right, 5 on older buses"}
}

// VIN reads the vehicle identification number, 17 characters, from what one engine computer answered to 09 02: one
// message on CAN, five of four characters on older buses, in any order or joined to one. The error is an *Error, with
// ErrNotProgrammed for a computer that was never told a number.
func VIN(messages ...[]byte) (string, error) {
	data, err := vehicleInfo(InfoVIN, messages)
	if err != nil {
		return "", err
	}
	if blank(data) {
		return "", &Error{Service: obd.VehicleInfo, PID: InfoVIN, Bytes: len(data), Err: ErrNotProgrammed}
	}
	vin := strings.Trim(string(data), "\x00")
	if len(vin) != 17 {
		return "", &Error{Service: obd.VehicleInfo, PID: InfoVIN, Bytes: len(data), Err: ErrLength, Want: "17 characters are right"}
	}
	if strings.ContainsFunc(vin, func(r rune) bool { return (r < '0' || r > '9') && (r < 'A' || r > 'Z') }) {
		return "", &Error{Service: obd.VehicleInfo, PID: InfoVIN, Bytes: len(data), Err: ErrText, Want: "digits and capital letters are right"}
	}
	return vin, nil
}

// CalibrationIDs reads the names of the calibrations in one engine computer from its answer to 09 04: any number of up
// to 16 characters each; one that is not programmed is empty. The error is an *Error.
func CalibrationIDs(messages ...[]byte) ([]string, error) {
	return infoItems(InfoCalibration, 16, messages, func(b []byte) string {
		if blank(b) {
			return ""
		}
		return printable(b)
	})
}

// CVNs reads the calibration verification numbers, eight hexadecimal digits each, from an answer to 09 06; they stand
// in the order of the calibration IDs. The error is an *Error.
func CVNs(messages ...[]byte) ([]string, error) {
	return infoItems(InfoCVN, 4, messages, func(b []byte) string { return fmt.Sprintf("%X", b) })
}

// ComputerName reads what an engine computer calls itself from its answer to 09 0A: an acronym of up to four letters
// (ECM, or ECM1 where there are several) and a text of up to fifteen (EngineControl), with a dash between them in the
// answer. The error is an *Error.
func ComputerName(messages ...[]byte) (acronym, name string, err error) {
	data, err := vehicleInfo(InfoName, messages)
	if err != nil {
		return "", "", err
	}
	if len(data) != 20 {
		return "", "", &Error{Service: obd.VehicleInfo, PID: InfoName, Bytes: len(data), Err: ErrLength, Want: "20 characters are right"}
	}
	if blank(data) {
		return "", "", &Error{Service: obd.VehicleInfo, PID: InfoName, Bytes: len(data), Err: ErrNotProgrammed}
	}
	return printable(data[:4]), strings.TrimPrefix(printable(data[4:]), "-"), nil
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

// blank reports whether nothing but filler is there: memory that was never written (FF), padding, spaces.
func blank(b []byte) bool {
	return len(bytes.Trim(b, "\x00\xFF ")) == 0
}

// printable drops the filler at either end of a text and shows anything else that is no printable ASCII as '?'.
func printable(b []byte) string {
	b = bytes.Trim(b, "\x00\xFF")
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		if r < 0x20 || r > 0x7E {
			return '?'
		}
		return r
	}, string(b)))
}
