package daemon

import (
	"fmt"
	"slices"
	"sync"
	"time"

	"underdash/obd"
	"underdash/obd/poll"
	"underdash/store"
)

// Polling is how one parameter is asked for on the present link to the car, since that came up.
type Polling struct {
	Parameter string  `json:"parameter"` // "01 0C from 7E8"
	Class     string  `json:"class"`
	Wanted    float64 `json:"wanted,omitempty"` // readings a second that its class asks for; 0: as many as the link gives
	Asked     float64 `json:"asked"`            // times a second that it was asked
	Got       float64 `json:"got"`              // readings a second
	WorstGap  float64 `json:"worst_gap_s"`      // seconds, the longest from one reading to the next
}

// asking keeps count of what the car is asked, over the drive and all links in it. The zero value is ready.
type asking struct {
	mu     sync.Mutex // guards what follows
	poller *poll.Poller
	engine obd.Address
	before map[obd.PID]poll.Rate // what the present poller had done when the drive began
	sum    []tally               // of the drive's links before
}

// tally is what one parameter of one engine computer was asked in a drive.
type tally struct {
	engine   obd.Address
	rate     poll.Rate // its class and rate wanted, and its counts
	requests uint64
	readings uint64
	over     time.Duration
}

// attach says which car is polled from now on; what it returns, that it no longer is.
func (a *asking) attach(p *poll.Poller, engine obd.Address) (detach func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.poller, a.engine, a.before = p, engine, nil
	return func() {
		a.mu.Lock()
		defer a.mu.Unlock()
		a.sum = a.sumLocked()
		a.poller, a.before = nil, nil
	}
}

// begin says that a drive begins.
func (a *asking) begin() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.sum, a.before = nil, make(map[obd.PID]poll.Rate)
	if a.poller == nil {
		return
	}
	for _, r := range a.poller.Rates() {
		a.before[r.PID] = r
	}
}

// sumLocked is the drive's tally with what the present poller has done in it.
func (a *asking) sumLocked() []tally {
	sum := slices.Clone(a.sum)
	if a.poller == nil {
		return sum
	}
	for _, r := range a.poller.Rates() {
		i := slices.IndexFunc(sum, func(x tally) bool { return x.engine == a.engine && x.rate.PID == r.PID })
		if i < 0 {
			i = len(sum)
			sum = append(sum, tally{engine: a.engine})
		}
		x, was := &sum[i], a.before[r.PID]
		x.rate = r
		x.requests += r.Requests - was.Requests
		x.readings += r.Readings - was.Readings
		x.over += r.Over - was.Over
	}
	return sum
}

// drive is how each parameter was asked for in the drive so far.
func (a *asking) drive() (all []store.Polled) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for _, x := range a.sumLocked() {
		p := store.Polled{From: uint32(x.engine), Service: byte(obd.CurrentData), PID: byte(x.rate.PID), Class: x.rate.Class.String(), Wanted: x.rate.Wanted,
			Requests: x.requests, Readings: x.readings}
		if span := x.over.Seconds(); span > 0 {
			p.Asked, p.Got = float64(x.requests)/span, float64(x.readings)/span
		}
		all = append(all, p)
	}
	return all
}

// now is how each parameter is asked for on the present link.
func (a *asking) now() (all []Polling) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.poller == nil {
		return nil
	}
	for _, r := range a.poller.Rates() {
		all = append(all, Polling{Parameter: fmt.Sprintf("%02X %v from %v", byte(obd.CurrentData), r.PID, a.engine), Class: r.Class.String(),
			Wanted: r.Wanted, Asked: r.Asked, Got: r.Got, WorstGap: r.Worst.Seconds()})
	}
	return all
}
