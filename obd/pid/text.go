package pid

import (
	"fmt"
	"strings"
)

// fuelSystemText names the states of 03. The standard allows one bit a byte; real cars also send two, and then both are
// named. Whether the loop is closed is asked of bit 1 (value 02), not by comparing the whole. Bits 5 to 7 are of a
// later edition: one bank's loop open while the other's is closed.
var fuelSystemText = func() (t [256]string) {
	names := [8]string{"OL", "CL", "OL-Drive", "OL-Fault", "CL-Fault", "OL-B2", "OL-Drive-B2", "OL-Fault-B2"}
	t[0] = "off"
	for v := 1; v < 256; v++ {
		var set []string
		for b, n := range names {
			if v>>b&1 == 1 {
				set = append(set, n)
			}
		}
		t[v] = strings.Join(set, "+")
	}
	return t
}()

// enumText gives a number that the list does not know as such, in hexadecimal as the standard prints it.
func enumText(names map[uint32]string, raw uint32) string {
	if s, ok := names[raw]; ok {
		return s
	}
	return fmt.Sprintf("unknown (%02X)", raw)
}

var secondaryAirText = map[uint32]string{
	1: "upstream of catalyst", 2: "downstream of catalyst", 4: "atmosphere or off", 8: "pump on for diagnosis",
}

var boostStatusText = map[uint32]string{1: "open loop", 2: "closed loop", 3: "fault"}

// obdStandardText names 1C: the rules that the car was built to.
var obdStandardText = map[uint32]string{
	0x01: "OBD II", 0x02: "OBD", 0x03: "OBD and OBD II", 0x04: "OBD I", 0x05: "no OBD", 0x06: "EOBD",
	0x07: "EOBD and OBD II", 0x08: "EOBD and OBD", 0x09: "EOBD, OBD and OBD II", 0x0A: "JOBD",
	0x0B: "JOBD and OBD II", 0x0C: "JOBD and EOBD", 0x0D: "JOBD, EOBD and OBD II", 0x0E: "EURO IV B1",
	0x0F: "EURO V B2", 0x10: "EURO C", 0x11: "EMD", 0x12: "EMD+", 0x13: "HD OBD-C", 0x14: "HD OBD", 0x15: "WWH OBD",
	0x17: "HD EOBD-I", 0x18: "HD EOBD-I N", 0x19: "HD EOBD-II", 0x1A: "HD EOBD-II N", 0x1B: "HD-ZEV",
	0x1C: "OBDBr-1", 0x1D: "OBDBr-2", 0x1E: "KOBD", 0x1F: "IOBD I", 0x20: "IOBD II", 0x21: "HD EOBD-VI",
	0x22: "OBD, OBD II and HD OBD", 0x29: "CN-OBD-6",
}

// fuelTypeText names 51.
var fuelTypeText = map[uint32]string{
	0x01: "gasoline", 0x02: "methanol", 0x03: "ethanol", 0x04: "diesel", 0x05: "LPG", 0x06: "CNG", 0x07: "propane",
	0x08: "electric", 0x09: "bi-fuel running gasoline", 0x0A: "bi-fuel running methanol",
	0x0B: "bi-fuel running ethanol", 0x0C: "bi-fuel running LPG", 0x0D: "bi-fuel running CNG",
	0x0E: "bi-fuel running propane", 0x0F: "bi-fuel running electric", 0x10: "bi-fuel mixed gas and electric",
	0x11: "hybrid gasoline", 0x12: "hybrid ethanol", 0x13: "hybrid diesel", 0x14: "hybrid electric",
	0x15: "hybrid mixed fuel", 0x16: "hybrid regenerative", 0x17: "bi-fuel diesel", 0x18: "bi-fuel natural gas",
	0x19: "bi-fuel diesel (second form)", 0x1A: "natural gas", 0x1B: "diesel and CNG", 0x1C: "diesel and LNG",
	0x1D: "fuel cell hydrogen", 0x1E: "hydrogen engine", 0x1F: "kerosene", 0x20: "heavy fuel oil",
}
