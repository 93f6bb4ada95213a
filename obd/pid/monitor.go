package pid

import (
	"strings"

	"underdash/obd"
)

// Monitor is one of the engine computer's self-tests.
type Monitor struct {
	Name     string
	Present  bool // 01: the car has the test; 41: the test can still run in this drive cycle
	Complete bool // the test has run to its end, since codes were cleared (01) or in this drive cycle (41)
}

// MonitorStatus is the meaning of 01 and 41.
type MonitorStatus struct {
	MIL         bool // the malfunction indicator lamp is commanded on; only 01 tells
	Codes       int  // confirmed trouble codes of this engine computer; only 01 tells
	Compression bool // the tests are those of a compression-ignition engine
	Monitors    []Monitor
}

var (
	continuousMonitors = [3]string{"misfire", "fuel system", "components"}
	sparkMonitors      = [8]string{"catalyst", "heated catalyst", "evaporative system", "secondary air", "",
		"oxygen sensor", "oxygen sensor heater", "EGR or VVT"}
	compressionMonitors = [8]string{"NMHC catalyst", "NOx aftertreatment", "", "boost pressure", "",
		"exhaust gas sensor", "particulate filter", "EGR or VVT"}
)

// ReadMonitors reads the four data bytes of 01 or 41. Bits 4 to 6 of B and all of D are 1 for tests that are not
// complete; bit 3 of B picks the list of tests (SAE J1699-3). The error is an *Error.
func ReadMonitors(p obd.PID, data []byte) (MonitorStatus, error) {
	if p != 0x01 && p != 0x41 {
		return MonitorStatus{}, &Error{Service: obd.CurrentData, PID: p, Bytes: len(data), Err: ErrUnknown,
			Want: "01 and 41 hold monitors"}
	}
	if len(data) != 4 {
		return MonitorStatus{}, &Error{Service: obd.CurrentData, PID: p, Bytes: len(data), Err: ErrLength, Want: "4 are right"}
	}
	a, b, c, d := data[0], data[1], data[2], data[3]
	s := MonitorStatus{Compression: b>>3&1 == 1}
	if p == 0x01 {
		s.MIL, s.Codes = a>>7 == 1, int(a&0x7F)
	}
	for i, n := range continuousMonitors {
		s.Monitors = append(s.Monitors, Monitor{n, b>>i&1 == 1, b>>(i+4)&1 == 0})
	}
	names := sparkMonitors
	if s.Compression {
		names = compressionMonitors
	}
	for i, n := range names {
		if n != "" {
			s.Monitors = append(s.Monitors, Monitor{n, c>>i&1 == 1, d>>i&1 == 0})
		}
	}
	return s, nil
}

// monitorText names the tests that are not complete.
func monitorText(p obd.PID, data []byte) string {
	s, err := ReadMonitors(p, data)
	if err != nil {
		return ""
	}
	var open []string
	for _, m := range s.Monitors {
		if m.Present && !m.Complete {
			open = append(open, m.Name)
		}
	}
	if len(open) == 0 {
		return "complete"
	}
	return "not complete: " + strings.Join(open, ", ")
}
