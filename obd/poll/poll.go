// Package poll decides what to ask a car next and turns its answers into readings with an instant and a bound.
//
// Discover asks once what the car supports. A Poller then goes round: every fast channel once a round, the others when
// they are due. Where the bus and the car allow it, one request holds several parameters; an answer then counts only if
// its service, its parameters, its length and its sender are those that were asked. The next request is not put before
// the last one was answered or given up, and less and less often while nothing answers.
//
// # What to ask next
//
// What a request costs on a link is not known beforehand: a serial line, a radio, a slow engine computer and an adapter
// that waits longer for long answers make different things dear. The planner learns it while it polls, by the number of
// parameters in the request and of frames in the answer, and lays out its rounds by what it learned: which fast channels
// go together in a request, and where the others find room. It keeps three promises, in this order. Nothing starves.
// Fast channels are evenly spaced: the time from one reading to the next grows by no more than a fifth for the sake of
// others, unless that would leave these next to nothing (one or two fast channels on a link that takes one parameter a
// request). Fast channels come as often as that allows, and others take no more than a quarter of the link's time from
// them in requests of their own.
//
// # Instants
//
// A reading's instant and its bound are the answer's (obd.Answer.Instant): the span in which the engine computer must
// have measured it. Parameters that came in one answer share one instant.
//
// # Orders
//
// Only service 01 is polled. A line that loses its first byte must not turn a request into an order: 01 04 would
// become 04, which clears trouble codes, and 01 08 the control of a system. 04 is never put in one request with others
// and 08 never first; alone it is only where a request holds no more than one parameter. What stands alone the connection
// sends in two steps. See apart and lead.
package poll

import (
	"context"
	"fmt"
	"slices"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
)

// Car is anything that answers one request at a time. It returns obd.ErrNoAnswer (wrapped) if the car kept silent;
// every other error means that the link is not usable.
type Car interface {
	Request(ctx context.Context, r obd.Request) (obd.Answer, error)
}

// Focuser is a Car that can speak with one engine computer alone, named by the address that its answers come from: it
// asks that one and hears that one. Run focuses on the engine computer that it polls, since answers that need not name
// their sender are shorter and their number is certain. A request that says whom it is for is not affected. An error
// means that the link is not usable; a car that cannot be focused stays as it was.
type Focuser interface {
	Focus(ctx context.Context, to obd.Address) error
}

// Bus is a Car that can tell, once the car has answered, whether it is on CAN. The address of an engine computer tells
// the same, where the adapter shows it.
type Bus interface {
	OnCAN() bool
}

// Reading is one answer to one parameter.
type Reading struct {
	From obd.Address
	PID  obd.PID
	Data []byte        // the bytes after the parameter; valid during emit
	At   time.Time     // when the engine computer measured it
	Half time.Duration // the largest error of At
}

// Static is one answer that does not change while the engine runs, as it was received.
type Static struct {
	From    obd.Address
	Service obd.Service
	PID     obd.PID
	Payload []byte // the whole payload, 41 4F 20 00 00 00
}

// Found is what Discover learned about a car.
type Found struct {
	Supported map[obd.Address][]obd.PID // by engine computer: its parameters of service 01, bitmaps left out, in order
	Engine    obd.Address               // who is polled, 0 if the adapter does not tell who answers and cannot ask one alone
	Expected  obd.Address               // where the engine's computer was before, 0 if that is not known
	Alone     bool                      // Engine is asked alone, since the adapter does not tell who answers
	CAN       bool                      // the car is on CAN, as far as the connection or an address tells
	Static    []Static                  // bitmaps, 4F, 50, 13, 1D, 51, 1C and 09 02, 09 04, in the order they were asked
}

// Supports reports whether the engine computer that is polled supports parameter p.
func (f Found) Supports(p obd.PID) bool { return f.knows(f.Engine, p) }

// knows reports whether the engine computer at an address supports parameter p.
func (f Found) knows(who obd.Address, p obd.PID) bool { return slices.Contains(f.Supported[who], p) }

// Sure reports whether the engine computer that is polled is the engine's, as far as anybody can tell: it knows the
// engine's speed, and answers from the usual address or from where the engine's computer was before. Where the adapter
// does not tell who answers there is nobody else to be had.
func (f Found) Sure() bool {
	return f.Engine == 0 || f.Supports(engineSpeed) && (f.Engine == f.Expected || slices.Contains(usual, f.Engine))
}

// Context is what the static answers of the engine computer that is polled say about reading its other answers.
func (f Found) Context() pid.Context {
	var c pid.Context
	for _, s := range f.Static {
		if s.From == f.Engine && s.Service == obd.CurrentData && len(s.Payload) > 2 {
			c.Note(s.PID, s.Payload[2:])
		}
	}
	return c
}

// Class says how often a channel is wanted.
type Class uint8

// The classes of a channel.
const (
	Fast   Class = iota // in every round
	Normal              // twice a second
	Slow                // every two seconds
)

func (c Class) String() string {
	switch c {
	case Fast:
		return "fast"
	case Normal:
		return "normal"
	case Slow:
		return "slow"
	}
	return fmt.Sprintf("Class(%d)", uint8(c))
}

func (c Class) period() time.Duration {
	switch c {
	case Fast:
		return 0
	case Normal:
		return 500 * time.Millisecond
	}
	return 2 * time.Second
}

// Channel is one parameter to be polled.
type Channel struct {
	PID   obd.PID
	Class Class
	Every time.Duration // wanted time from one reading to the next; 0 = the class's. Fast channels ignore it
	Or    []obd.PID     // if the engine computer does not support PID, the first of these that it does is polled instead
}

// supported is the channel as this car has it.
func (c Channel) supported(f Found) Channel {
	if !f.Supports(c.PID) {
		if i := slices.IndexFunc(c.Or, f.Supports); i >= 0 {
			c.PID = c.Or[i]
		}
	}
	c.Or = nil
	return c
}

func (c Channel) every() time.Duration {
	if c.Class == Fast || c.Every <= 0 {
		return c.Class.period()
	}
	return c.Every
}
