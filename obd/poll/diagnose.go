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
// computers' names (09 0A). What Discover has read from all who say that they have it is not asked again. Questions are
// put one at a time, so that a car that hands them on between two polls keeps its polling. Silence and errors are as for
// CheckCodes.
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
		var all []obd.Address
		if d.can {
			all = d.everybody()
		}
		if _, err := d.ask(r, attempts, all); err != nil {
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
	_, err := d.ask(obd.Request{Service: obd.PermanentCodes}, 1, nil)
	return err
}

// ask puts one question to everybody, or to the engine's computer where nobody could tell whose an answer is, up to tries times:
// until somebody has answered, and all of those who must. It keeps the answers and returns them.
func (d *examination) ask(r obd.Request, tries int, who []obd.Address) ([]Static, error) {
	if r.To = obd.Everybody; d.found.Alone {
		r.To = d.found.Engine
	}
	var got []Static
	for range tries {
		answer, err := d.car.Request(d.ctx, r)
		if err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return got, fmt.Errorf("asking the car for %s: %w", r, err)
		}
		if err == nil {
			got = d.keep(r, answer, got)
		}
		if len(got) > 0 && allIn(got, who) {
			break
		}
	}
	if len(got) == 0 {
		r.To = 0
		d.Silent = append(d.Silent, r)
	}
	return got, nil
}

// everybody lists the engine computers that are known.
func (d *examination) everybody() (all []obd.Address) {
	for from, list := range d.found.Supported {
		if len(list) > 0 {
			all = append(all, from)
		}
	}
	return all
}

// allIn reports whether there is an answer of each of those.
func allIn(got []Static, who []obd.Address) bool {
	return !slices.ContainsFunc(who, func(from obd.Address) bool {
		return !slices.ContainsFunc(got, func(a Static) bool { return a.From == from })
	})
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
		is := func(b Static) bool { return same(a, b) }
		if !slices.ContainsFunc(got, is) {
			got = append(got, a)
		}
		if !slices.ContainsFunc(d.Answers, is) { // else Discover has read it
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
	bitmaps, err := d.ask(obd.Request{Service: obd.VehicleInfo, PIDs: []obd.PID{pid.InfoSupported}}, attempts, nil)
	if err != nil {
		return err
	}
	for _, info := range []obd.PID{pid.InfoVIN, pid.InfoName, pid.InfoCVN, pid.InfoCalibration} {
		who := listing(bitmaps, info)
		if known := d.known(info); len(known) > 0 && allIn(known, who) || len(bitmaps) > 0 && len(who) == 0 {
			continue
		}
		if _, err := d.ask(obd.Request{Service: obd.VehicleInfo, PIDs: []obd.PID{info}}, attempts, who); err != nil {
			return err
		}
	}
	return nil
}

// known takes over what Discover has read of an InfoType, and returns it.
func (d *examination) known(info obd.PID) (known []Static) {
	for _, s := range d.found.Static {
		if s.Service == obd.VehicleInfo && s.PID == info {
			known = append(known, s)
		}
	}
	d.Answers = append(d.Answers, known...)
	return known
}

// listing are the engine computers that say that they have an InfoType.
func listing(bitmaps []Static, info obd.PID) (who []obd.Address) {
	for _, a := range bitmaps {
		if list, err := pid.SupportedInfo(a.Payload); err == nil && slices.Contains(list, info) {
			who = append(who, a.From)
		}
	}
	return who
}
