package poll

import (
	"slices"

	"underdash/obd"
	"underdash/obd/pid"
)

// frameCode is the parameter of a freeze frame that holds the trouble code which stored it.
const frameCode obd.PID = 0x02

// freezeFrame reads the freeze frame if an engine computer says that it has stored a code.
func (d *examination) freezeFrame() error {
	if !d.codeStored() {
		return nil
	}
	codes, err := d.ask(frozen(frameCode), attempts, nil)
	if err != nil {
		return err
	}
	any := slices.ContainsFunc(codes, func(a Static) bool { return len(a.Payload) == 5 && (a.Payload[3] != 0 || a.Payload[4] != 0) })
	if !any {
		return nil
	}
	list, err := d.frozenParameters()
	if err != nil {
		return err
	}
	for _, p := range list {
		if _, err := d.ask(frozen(p), 1, nil); err != nil {
			return err
		}
	}
	return nil
}

// codeStored reports whether a confirmed trouble code was told, or the lamp is on.
func (d *examination) codeStored() bool {
	return slices.ContainsFunc(d.Answers, func(a Static) bool {
		switch a.Service {
		case obd.StoredCodes:
			codes, err := pid.TroubleCodes(a.Payload, d.can)
			return err != nil || len(codes) > 0
		case obd.CurrentData:
			return a.Payload[2] != 0 // lamp and number of codes
		}
		return false
	})
}

// frozen asks for a parameter of frame 0, the one that the standard knows. One at a time: how many a car takes in a
// request of this service is not certain, and it is asked once a drive. Where the line would be an order without its
// beginning (02 04 00) the connection sees to it that all of it arrives, or does not send it.
func frozen(p obd.PID) obd.Request {
	return obd.Request{Service: obd.FreezeFrame, PIDs: []obd.PID{p, 0}}
}

// frozenParameters asks which parameters are in the frame.
func (d *examination) frozenParameters() ([]obd.PID, error) {
	var list []obd.PID
	for base := 0; base <= 0xE0; base += 0x20 {
		bitmaps, err := d.ask(frozen(obd.PID(base)), attempts, nil)
		if err != nil {
			return nil, err
		}
		more := false
		for _, a := range bitmaps {
			for _, p := range pid.Supported(obd.PID(base), a.Payload[3:]) {
				if p&0x1F == 0 {
					more = true
				} else if _, known := pid.Width(p); known && p != frameCode && !slices.Contains(list, p) {
					list = append(list, p)
				}
			}
		}
		if !more {
			break
		}
	}
	slices.Sort(list)
	return list, nil
}
