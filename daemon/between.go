package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/poll"
)

// between puts questions to a car that is being polled, each between two polls.
type between struct{ *examinee }

// errPollingOver says that the car is no longer polled.
var errPollingOver = errors.New("the link to the car was lost")

// Request waits for its turn. What the connection refuses to send counts as not answered.
func (b between) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	type reply struct {
		answer obd.Answer
		err    error
	}
	replies := make(chan reply, 1)
	b.poller.Do(func(run context.Context, car poll.Car) error {
		if ctx.Err() != nil {
			return nil // nobody waits any more
		}
		a, err := car.Request(run, r)
		if errors.Is(err, elm.ErrNotAllowed) {
			err = fmt.Errorf("%w: %w", obd.ErrNoAnswer, err)
		}
		a.Messages = slices.Clone(a.Messages)
		for i := range a.Messages {
			a.Messages[i].Payload = bytes.Clone(a.Messages[i].Payload)
		}
		replies <- reply{a, err}
		return err
	})
	select {
	case x := <-replies:
		return x.answer, x.err
	case <-ctx.Done():
		return obd.Answer{}, ctx.Err()
	case <-b.up.Done():
		return obd.Answer{}, errPollingOver
	}
}
