package poll

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"underdash/obd"
)

// ErrEngineAnswers says that the engine's computer answers now, while another was polled in its place. What the car
// supports has to be discovered anew.
var ErrEngineAnswers = errors.New("the engine's computer answers now, and another was polled in its place")

// After a start, or an ignition that was off and on, a gearbox's computer is often ready before the engine's. So as long
// as it is not certain who is polled, everybody is asked from time to time. A look takes the time of some polls, so the
// pause doubles up to the most.
const (
	firstLook = 3 * time.Second
	mostLook  = 30 * time.Second
)

// lookout is when everybody is asked next.
type lookout struct {
	at    time.Time
	pause time.Duration
}

// look asks everybody who is there, if it is time for that. It returns ErrEngineAnswers (wrapped) if somebody else should
// be polled. As with an errand, its time does not count as the car's silence.
func (r *round) look(ctx context.Context) error {
	before := time.Now()
	if before.Before(r.others.at) || r.p.found.Sure() {
		return nil
	}
	answer, err := r.p.car.Request(ctx, obd.Request{Service: obd.CurrentData, PIDs: []obd.PID{0x00}, To: obd.Everybody})
	switch {
	case err != nil && !errors.Is(err, obd.ErrNoAnswer):
		return r.p.failure(ctx, err)
	case err == nil && r.p.found.engineWith(answer) != r.p.found.Engine:
		return fmt.Errorf("polling %s: %w", r.p.found.Engine, ErrEngineAnswers)
	}
	now := time.Now()
	r.heard = r.heard.Add(now.Sub(before))
	r.others.pause = min(2*r.others.pause, mostLook)
	r.others.at = now.Add(r.others.pause)
	return nil
}

// engineWith is who would be polled if Discover had got these answers to 00 too.
func (f Found) engineWith(answer obd.Answer) obd.Address {
	supported := maps.Clone(f.Supported)
	for _, m := range answer.Messages {
		if answers(m.Payload, obd.CurrentData, 0x00) {
			supported[m.From], _ = withBitmap(slices.Clone(supported[m.From]), 0x00, m.Payload)
		}
	}
	return chooseEngine(supported, f.Expected)
}
