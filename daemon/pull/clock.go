package pull

import (
	"context"
	"net/http"
	"time"
)

// clockTries is how many round trips are looked at: the longest is what the offer's own may take.
const clockTries = 3

// offerClock offers this machine's clock to the daemon, whose board may have none. The request arrives somewhere in its
// round trip, of which the middle is told and half of it as what that may be off by. That the daemon does not want it is
// no fault.
func (p *Puller) offerClock(ctx context.Context) error {
	var trip time.Duration
	for range clockTries {
		began := time.Now()
		if err := p.client.json(ctx, http.MethodGet, "/health", nil, nil); err != nil {
			return ctx.Err() // the next run offers it
		}
		trip = max(trip, time.Since(began))
	}
	_ = p.client.json(ctx, http.MethodPut, "/time", struct {
		UTC      time.Time `json:"utc"`
		MaxError float64   `json:"max_error_s"`
	}{time.Now().Add(trip / 2).UTC(), (trip / 2).Seconds()}, nil)
	return ctx.Err()
}
