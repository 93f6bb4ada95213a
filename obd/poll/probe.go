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

// mostPlaces is what the standard allows in one request on CAN; older buses take one parameter.
const mostPlaces = 6

// probe finds how many parameters one request may hold on this link: it asks for several at once what is answered one
// by one, and compares. Not every engine computer and not every adapter can do it. It also returns parameters that gave
// no answer although the car lists them, so that they do not spoil the requests of others.
func (p *Poller) probe(ctx context.Context) (places int, silent []obd.PID, err error) {
	if !pid.OnCAN(p.found.Engine) || p.o.MaxPIDs == 1 {
		return 1, nil, nil
	}
	var live []obd.PID
	for _, c := range p.pollable() {
		if apart(c.PID) || dangerous(c.PID) || len(live) == p.o.MaxPIDs {
			continue
		}
		ok, err := p.answeredWhole(ctx, []obd.PID{c.PID}, nil)
		switch {
		case ctx.Err() != nil:
			return 0, nil, ctx.Err()
		case err != nil:
			return 0, nil, fmt.Errorf("polling %s: %w", p.found.Engine, err)
		case ok:
			live = append(live, c.PID)
		default:
			silent = append(silent, c.PID)
		}
		if len(silent) == mostPlaces && len(live) == 0 {
			return 1, nil, nil // the car is asleep; what it can do will show when it wakes and Run is called again
		}
	}
	for n := p.o.MaxPIDs; n > 1; n /= 2 {
		ok, err := p.packs(ctx, n, live)
		if ctx.Err() != nil {
			return 0, nil, ctx.Err()
		}
		if err != nil {
			// An adapter that stumbles over a long answer may report it as anything. Whether the link is broken will
			// show with the next request, which holds one parameter.
			break
		}
		if ok {
			return n, silent, nil
		}
	}
	return 1, silent, nil
}

// packs reports whether n parameters in one request are answered as they are alone: constants with the same bytes,
// live ones completely.
func (p *Poller) packs(ctx context.Context, n int, live []obd.PID) (bool, error) {
	live = slices.Clone(live[:min(n, len(live))])
	if len(live) < 2 {
		return false, nil
	}
	constant, known := p.constants()
	constant = constant[:min(n, len(constant))]
	for _, ask := range [][]obd.PID{constant, live} {
		if len(ask) < 2 {
			continue
		}
		ask, _ := lead(ask, n, p.leads())
		ok, err := p.answeredWhole(ctx, ask, known)
		if !ok || err != nil {
			return false, err
		}
	}
	return true, nil
}

// constants are the parameters that the polled engine computer has answered once and for all, in the order in which they
// were asked, with their bytes. One that came with different bytes, since a line was disturbed, tells nothing.
func (p *Poller) constants() (list []obd.PID, known map[obd.PID][]byte) {
	known = make(map[obd.PID][]byte)
	var unsure []obd.PID
	for _, s := range p.found.Static {
		if s.From != p.found.Engine || s.Service != obd.CurrentData || s.PID&0x1F == 0 {
			continue
		}
		if _, seen := known[s.PID]; seen {
			unsure = append(unsure, s.PID) // Discover keeps the same answer once
		}
		list, known[s.PID] = append(list, s.PID), s.Payload[2:]
	}
	return slices.DeleteFunc(list, func(a obd.PID) bool { return slices.Contains(unsure, a) }), known
}

// answeredWhole asks up to twice, so that one lost answer does not decide for a whole drive.
func (p *Poller) answeredWhole(ctx context.Context, ask []obd.PID, known map[obd.PID][]byte) (bool, error) {
	for range attempts {
		answer, err := p.car.Request(ctx, obd.Request{Service: obd.CurrentData, PIDs: ask})
		if errors.Is(err, obd.ErrNoAnswer) {
			continue
		}
		if err != nil {
			return false, err
		}
		for _, m := range answer.Messages {
			if m.From == p.found.Engine && whole(m.Payload, ask, known) {
				return true, nil
			}
		}
	}
	return false, nil
}

// whole reports whether a payload holds each parameter asked exactly once, and nothing else than they were before.
func whole(payload []byte, ask []obd.PID, known map[obd.PID][]byte) bool {
	left := slices.Clone(ask)
	right := true
	err := pid.Split(payload, func(a obd.PID, data []byte) bool {
		i := slices.Index(left, a)
		if before, ok := known[a]; i < 0 || ok && !bytes.Equal(before, data) {
			right = false
			return false
		}
		left = slices.Delete(left, i, i+1)
		return true
	})
	return err == nil && right && len(left) == 0
}
