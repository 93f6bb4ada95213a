package poll

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"underdash/obd"
	"underdash/obd/pid"
)

// attempts is how often a question is put that the car has promised to answer. A lost bitmap would hide 32
// parameters for the whole drive.
const attempts = 2

// constants are the parameters that say how others must be read or what the car is: full scales, sensor numbering,
// fuel, the rules it was built to.
var constants = []obd.PID{0x4F, 0x50, 0x13, 0x1D, 0x51, 0x1C}

// Discover asks the car which parameters each engine computer supports, picks the one to be polled, and reads the
// answers that do not change. A car that leaves some questions unanswered is no error; if it answers not even the
// first, the error is obd.ErrNoAnswer (wrapped), with what the connection said of it. Other errors are the link's.
func Discover(ctx context.Context, car Car) (Found, error) { return Rediscover(ctx, car, 0) }

// Rediscover is Discover for a car whose engine's computer answered from the address expected before. 0 if that is not
// known.
func Rediscover(ctx context.Context, car Car, expected obd.Address) (Found, error) {
	d := discovery{ctx: ctx, car: car, to: obd.Everybody, found: Found{Supported: make(map[obd.Address][]obd.PID), Expected: expected}}
	if err := d.bitmaps(); err != nil {
		return Found{}, err
	}
	if err := d.single(); err != nil {
		return Found{}, err
	}
	d.found.Engine = chooseEngine(d.found.Supported, expected)
	d.found.CAN = onCAN(car, d.found)
	for _, p := range constants {
		if d.supportedByAny(p) {
			if _, err := d.ask(obd.CurrentData, p, attempts); err != nil {
				return Found{}, err
			}
		}
	}
	for _, info := range []obd.PID{0x02, 0x04} {
		if _, err := d.ask(obd.VehicleInfo, info, 1); err != nil {
			return Found{}, err
		}
	}
	return d.found, nil
}

func onCAN(car Car, f Found) bool {
	for from := range f.Supported {
		if pid.OnCAN(from) {
			return true
		}
	}
	b, ok := car.(Bus)
	return ok && b.OnCAN()
}

type discovery struct {
	ctx   context.Context
	car   Car
	found Found
	to    obd.Address // who is asked, as a request has it

	silence error // why the latest question had no answer, which is obd.ErrNoAnswer too
}

// bitmaps reads 00, 20, 40 and so on, as long as somebody says that there is a next one. 00 is asked again where nobody
// answers from where the engine's computer should be: it may be later than another, or its answer lost.
func (d *discovery) bitmaps() error {
	promised := map[obd.Address]bool{} // who said that it has this bitmap; for 00 nobody is known yet
	for base := 0; base <= 0xE0; base += 0x20 {
		next := map[obd.Address]bool{}
		for try := range attempts {
			answers, err := d.ask(obd.CurrentData, obd.PID(base), 1)
			if err != nil {
				return err
			}
			for _, a := range answers {
				d.take(obd.PID(base), a, next)
				delete(promised, a.From)
			}
			if base == 0 && len(d.found.Supported) == 0 && try == attempts-1 {
				return fmt.Errorf("asking which parameters the car supports (service 01 parameter 00): %w", cmp.Or(d.silence, obd.ErrNoAnswer))
			}
			if len(promised) == 0 && len(answers) > 0 && (base > 0 || d.expectedIn(answers)) {
				break
			}
		}
		if len(next) == 0 {
			break
		}
		promised = next
	}
	for from := range d.found.Supported {
		slices.Sort(d.found.Supported[from])
	}
	return nil
}

// single begins anew with the engine's computer alone, at the address that it usually has, if nobody on CAN is named:
// what several computers support would be mixed up, and each reading would be whoever's answers first. Where nobody can
// be asked alone everything stays as it was.
func (d *discovery) single() error {
	if _, unnamed := d.found.Supported[0]; !unnamed || !onCAN(d.car, d.found) {
		return nil
	}
	all := d.found
	for _, u := range usual {
		if !pid.OnCAN(u) {
			continue
		}
		d.to, d.found = u, Found{Supported: make(map[obd.Address][]obd.PID), Expected: all.Expected, Alone: true}
		answers, err := d.ask(obd.CurrentData, 0x00, attempts)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(answers, func(a Static) bool { return a.From == u }) {
			continue
		}
		if err := d.bitmaps(); err != nil && !errors.Is(err, obd.ErrNoAnswer) {
			return err
		}
		if d.found.knows(u, engineSpeed) || len(d.found.Supported[u]) > 0 && !all.knows(0, engineSpeed) {
			return nil
		}
	}
	d.to, d.found = obd.Everybody, all
	return nil
}

// expectedIn reports whether one of the answers is from where an engine's computer should be, or from nobody knows whom.
func (d *discovery) expectedIn(answers []Static) bool {
	return slices.ContainsFunc(answers, func(a Static) bool {
		return a.From == 0 || a.From == d.found.Expected || slices.Contains(usual, a.From)
	})
}

// take adds a bitmap to what its sender supports, and notes in next whether the sender has another.
func (d *discovery) take(base obd.PID, a Static, next map[obd.Address]bool) {
	list, more := withBitmap(d.found.Supported[a.From], base, a.Payload)
	d.found.Supported[a.From] = list
	if more {
		next[a.From] = true
	}
}

// withBitmap adds the parameters that a bitmap's payload names to a list. more says that there is another bitmap.
func withBitmap(list []obd.PID, base obd.PID, payload []byte) (with []obd.PID, more bool) {
	for _, p := range pid.Supported(base, payload[2:]) {
		if p&0x1F == 0 {
			more = true
		} else if !slices.Contains(list, p) {
			list = append(list, p)
		}
	}
	return list, more
}

// ask puts one question up to tries times until something answers it, and keeps the new answers among the static
// ones. Silence gives no answers and no error.
func (d *discovery) ask(s obd.Service, p obd.PID, tries int) ([]Static, error) {
	for range tries {
		answer, err := d.car.Request(d.ctx, obd.Request{Service: s, PIDs: []obd.PID{p}, To: d.to})
		if d.silence = nil; errors.Is(err, obd.ErrNoAnswer) {
			d.silence = err
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("asking the car for service %02X parameter %s: %w", byte(s), p, err)
		}
		var got []Static
		for _, m := range answer.Messages {
			payload := unpadded(m.Payload, []obd.PID{p}, pid.OnCAN(m.From) || onCAN(d.car, d.found))
			if !answers(payload, s, p) {
				continue
			}
			a := Static{m.From, s, p, bytes.Clone(payload)}
			got = append(got, a)
			if !slices.ContainsFunc(d.found.Static, func(b Static) bool { return same(a, b) }) {
				d.found.Static = append(d.found.Static, a)
			}
		}
		if len(got) > 0 {
			return got, nil
		}
	}
	return nil, nil
}

func same(a, b Static) bool {
	return a.From == b.From && a.Service == b.Service && a.PID == b.PID && bytes.Equal(a.Payload, b.Payload)
}

// answers reports whether a payload is an answer to parameter p of service s, of the length that it must have.
func answers(payload []byte, s obd.Service, p obd.PID) bool {
	if len(payload) < 3 || payload[0] != byte(s)+obd.ResponseOffset || obd.PID(payload[1]) != p {
		return false
	}
	if s != obd.CurrentData {
		return true
	}
	n, ok := pid.Width(p)
	return !ok || len(payload) == 2+n
}

func (d *discovery) supportedByAny(p obd.PID) bool {
	for _, list := range d.found.Supported {
		if slices.Contains(list, p) {
			return true
		}
	}
	return false
}

// usual are the addresses that the engine's computer has on CAN with 11 and with 29 bits, and on most older buses.
var usual = []obd.Address{0x7E8, 0x18DAF110, 0x10}

// engineSpeed is what the engine's computer knows, and some others too.
const engineSpeed obd.PID = 0x0C

// chooseEngine picks the engine's computer: one that knows the engine's speed, at the usual address if it is there,
// else where it was before, else the lowest. If none knows the speed, the same rule picks among all.
func chooseEngine(supported map[obd.Address][]obd.PID, expected obd.Address) obd.Address {
	var with, all []obd.Address
	for from, pids := range supported {
		all = append(all, from)
		if slices.Contains(pids, engineSpeed) {
			with = append(with, from)
		}
	}
	if len(with) == 0 {
		with = all
	}
	for _, u := range append(slices.Clone(usual), expected) {
		if slices.Contains(with, u) {
			return u
		}
	}
	if len(with) == 0 {
		return 0
	}
	return slices.Min(with)
}
