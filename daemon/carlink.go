package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/port"
)

// car is the adapter as the poller sees it. It notices when nothing but damage comes back.
type car struct {
	*elm.Conn
	damaged int // answers since the last good one
}

// mostDamaged is how many answers may come damaged before asking goes on no longer. The poller finds out how many
// parameters a request may hold by failing at most six times.
const mostDamaged = 8

func (c *car) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	a, err := c.Conn.Request(ctx, r)
	switch {
	case err == nil:
		c.damaged = 0
	case is(elm.ErrGarbled, elm.ErrStopped, elm.ErrOverflow, elm.ErrRejected)(err):
		if c.damaged++; c.damaged >= mostDamaged {
			return a, fmt.Errorf("%w (%v)", errDamaged, err)
		}
	}
	return a, err
}

// silence is what a car's silence, as the poller found it, amounts to: when answers came and were damaged the car is
// not silent.
func (c *car) silence(err error) error {
	if errors.Is(err, obd.ErrNoAnswer) && c.damaged > 0 {
		return fmt.Errorf("%w (%v)", errDamaged, err)
	}
	return err
}

// dial opens an adapter as the daemon does in a car. An adapter that comes back into reach must not be waited for by a
// connection that was begun before: the system tries it again more and more seldom.
func dial(ctx context.Context, address string, baud int) (io.ReadWriteCloser, error) {
	p, err := port.Open(ctx, address, port.Options{Baud: baud, DialTimeout: 2500 * time.Millisecond})
	if err != nil {
		return nil, err // and not a nil *port.Port, which would be a stream
	}
	return p, nil
}
