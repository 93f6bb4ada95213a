package httpapi

import (
	"context"
	"net/http"
	"runtime"
	"time"
)

// turns let encoders compute one after the other, piece by piece, on fewer processors than there are: what is being recorded
// must find one free. Go's scheduler knows no priorities, and lets who computes do so for 10 ms before it looks for others.
type turns chan struct{}

func newTurns() turns { return make(turns, max(1, runtime.GOMAXPROCS(0)-1)) }

// take waits for a turn until ctx ends or the server does.
func (t turns) take(ctx context.Context, ending <-chan struct{}) error {
	select {
	case t <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-ending:
		return http.ErrServerClosed
	}
}

func (t turns) give() { <-t }

const (
	pieceOfWork = 8 << 10               // bytes of an export that are encoded in one turn
	longestRest = 20 * time.Millisecond // after one, while something is being recorded
)
