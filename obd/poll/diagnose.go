package poll

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"underdash/obd"
	"underdash/obd/pid"
)

// Diagnosis is what the engine computers said of themselves.
type Diagnosis struct {
	Answers []Static      // as they were received, in the order they were asked
	Silent  []obd.Request // asked, and nobody answered: before CAN that is how a car without codes answers 03 and 07
}

// CheckCodes asks every engine computer for its monitors (01 01) and for its confirmed and pending trouble codes (03,
// 07), in this order: what counts most comes first, since an ignition that was switched off soon ends all answers. A
// question that nobody answers is no error. Any error is the link's; what was learned before it is returned with it.
func CheckCodes(ctx context.Context, car Car, f Found) (Diagnosis, error) {
	d := newExamination(ctx, car, f)
	err := d.codes()
	return d.Diagnosis, err
}

// Diagnose asks every engine computer for all that CheckCodes asks for, and on CAN for its permanent trouble codes (0A);
// for the freeze frame (02) if one of them has stored a code; and who they are: what information there is (09 00), the
// vehicle's number (09 02), the names of the calibrations (09 04) with their verification numbers (09 06) and the
// computers' names (09 0A). What Discover has read is not asked again. Questions are put one at a time, so that a car
// that hands them on between two polls keeps its polling. Silence and errors are as for CheckCodes.
func Diagnose(ctx context.Context, car Car, f Found) (Diagnosis, error) {
	d := newExamination(ctx, car, f)
	for _, step := range []func() error{d.codes, d.permanentCodes, d.freezeFrame, d.identity} {
		if err := step(); err != nil {
			return d.Diagnosis, err
		}
	}
	return d.Diagnosis, nil
}

type examination struct {
	Diagnosis
	ctx   context.Context
	car   Car
	found Found
	can   bool
}

func newExamination(ctx context.Context, car Car, f Found) *examination {
	d := &examination{ctx: ctx, car: car, found: f, can: f.CAN || pid.OnCAN(f.Engine)}
	for from := range f.Supported {
		d.can = d.can || pid.OnCAN(from)
	}
	return d
}

func (d *examination) codes() error {
	for _, r := range []obd.Request{
		{Service: obd.CurrentData, PIDs: []obd.PID{0x01}},
		{Service: obd.StoredCodes},
		{Service: obd.PendingCodes},
	} {
		// On CAN every engine computer answers these. Before it, one without codes keeps silent.
		if _, err := d.ask(r, attempts, d.can); err != nil {
			return err
		}
	}
	return nil
}

// permanentCodes are kept by cars on CAN only (SAE J1699-3 asks no others), and not by all of those.
func (d *examination) permanentCodes() error {
	if !d.can {
		return nil
	}
	_, err := d.ask(obd.Request{Service: obd.PermanentCodes}, 1, false)
	return err
}

// ask puts one question to everybody, up to tries times: until somebody has answered, and where all must answer until
// all have. It keeps the answers and returns them.
func (d *examination) ask(r obd.Request, tries int, all bool) ([]Static, error) {
	r.To = obd.Everybody
	var got []Static
	for range tries {
		answer, err := d.car.Request(d.ctx, r)
		if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return got, fmt.Errorf("asking the car for %s: %w", r, err)
		}
		if err == nil {
			got = d.keep(r, answer, got)
		}
		if len(got) > 0 && (!all || d.allIn(got)) {
			break
		}
	}
	if len(got) == 0 {
		r.To = 0
		d.Silent = append(d.Silent, r)
	}
	return got, nil
}

func (d *examination) allIn(got []Static) bool {
	for from, list := range d.found.Supported {
		if len(list) > 0 && !slices.ContainsFunc(got, func(a Static) bool { return a.From == from }) {
			return false
		}
	}
	return true
}

// keep adds the new among the answers to a question.
func (d *examination) keep(r obd.Request, answer obd.Answer, got []Static) []Static {
	for _, m := range answer.Messages {
		if !fitting(m.Payload, r) {
			continue
		}
		a := Static{From: m.From, Service: r.Service, Payload: bytes.Clone(m.Payload)}
		if len(r.PIDs) > 0 {
			a.PID = r.PIDs[0]
		}
		if !slices.ContainsFunc(got, func(b Static) bool { return same(a, b) }) {
			got = append(got, a)
			d.Answers = append(d.Answers, a)
		}
	}
	return got
}

// fitting reports whether a payload answers a question, at the length that it must have where that is known.
func fitting(payload []byte, r obd.Request) bool {
	switch r.Service {
	case obd.CurrentData, obd.VehicleInfo:
		return answers(payload, r.Service, r.PIDs[0])
	case obd.FreezeFrame:
		return len(payload) > 2 && obd.PID(payload[1]) == r.PIDs[0] && pid.SplitFrozen(payload, nil) == nil
	}
	return len(payload) > 0 && payload[0] == byte(r.Service)+obd.ResponseOffset
}

// identity asks who the engine computers are. The names of the calibrations come last: a line that asks for them is an
// order to clear codes (04) once it has lost its first byte. A connection sends it with care, or not at all on an
// adapter that does not let it; then everything else has been asked.
func (d *examination) identity() error {
	bitmaps, err := d.ask(obd.Request{Service: obd.VehicleInfo, PIDs: []obd.PID{pid.InfoSupported}}, attempts, false)
	if err != nil {
		return err
	}
	for _, info := range []obd.PID{pid.InfoVIN, pid.InfoName, pid.InfoCVN, pid.InfoCalibration} {
		if d.known(info) || len(bitmaps) > 0 && !listed(bitmaps, info) {
			continue
		}
		if _, err := d.ask(obd.Request{Service: obd.VehicleInfo, PIDs: []obd.PID{info}}, attempts, false); err != nil {
			return err
		}
	}
	return nil
}

// known takes over what Discover has read of an InfoType, and reports whether there was anything.
func (d *examination) known(info obd.PID) bool {
	any := false
	for _, s := range d.found.Static {
		if s.Service == obd.VehicleInfo && s.PID == info {
			d.Answers, any = append(d.Answers, s), true
		}
	}
	return any
}

func listed(bitmaps []Static, info obd.PID) bool {
	return slices.ContainsFunc(bitmaps, func(a Static) bool {
		list, err := pid.SupportedInfo(a.Payload)
		return err == nil && slices.Contains(list, info)
	})
}
