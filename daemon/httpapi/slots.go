package httpapi

import (
	"net/http"
	"time"
)

// How much of a kind is done at once. A download costs little more than its connection; an export computes.
const (
	mostDownloads = 12
	mostExports   = 4
	mostWatchers  = 4
	mostDrawn     = 2
)

// slots are so many of something at once.
type slots chan struct{}

func newSlots(n int) slots { return make(slots, n) }

// take takes one, if one is free. What it returns gives it back, once.
func (s slots) take() (give func(), ok bool) {
	select {
	case s <- struct{}{}:
	default:
		return nil, false
	}
	given := false
	return func() {
		if !given {
			given = true
			<-s
		}
	}, true
}

// takeFor is take, with a refusal.
func (s slots) takeFor(what string) (give func(), err error) {
	give, ok := s.take()
	if !ok {
		return nil, later(http.StatusServiceUnavailable, "busy", 2*time.Second, "%d %s are under way, and no more are taken on at once: try again in a moment", cap(s), what)
	}
	return give, nil
}
