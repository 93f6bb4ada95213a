package obdtest

import (
	"maps"
	"slices"
	"time"

	"underdash/obd"
)

// Heard counts what came over the serial line.
type Heard struct {
	Characters int                 // characters received
	AT         map[string]int      // AT commands understood, by name without parameter: "Z", "SP", "CRA"
	Services   map[obd.Service]int // requests sent to the car, by service
	Unknown    int                 // lines answered with ?
	Stopped    int                 // requests cut short by a received character
	NoData     int                 // requests nobody answered
}

// Request is one request that was sent to the car.
type Request struct {
	At     time.Time // when its last character had been received
	Header uint32    // identifier it was sent with (7DF, 7E0), 0 for the bus's default
	Data   []byte    // service and parameters
	Count  int       // response count, 0 without one
}

// Heard returns the counters as they are now.
func (a *Adapter) Heard() Heard {
	a.mu.Lock()
	defer a.mu.Unlock()
	h := a.heard
	h.AT, h.Services = maps.Clone(h.AT), maps.Clone(h.Services)
	return h
}

// Requests returns the newest requests, oldest first; Options.Log says how many are kept.
func (a *Adapter) Requests() []Request {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.log[max(0, len(a.log)-a.o.Log):])
}

func (a *Adapter) noteRequest(r Request) {
	a.note(func() {
		a.heard.Services[obd.Service(r.Data[0])]++
		if len(a.log) >= 2*a.o.Log {
			a.log = append(a.log[:0], a.log[len(a.log)-a.o.Log:]...)
		}
		a.log = append(a.log, r)
	})
}

// Fault is something wrong with the adapter, its link or its car. Faults can be switched while a dialogue runs and
// last until they are switched off.
type Fault uint8

const (
	// NoFault is the healthy state.
	NoFault Fault = iota
	// SilentCar: the bus is awake and no engine computer answers (NO DATA).
	SilentCar
	// SleepingBus: nobody acknowledges a frame (CAN ERROR, UNABLE TO CONNECT).
	SleepingBus
	// Dead: the adapter takes characters and never says anything.
	Dead
	// Hang: the adapter stops in the middle of an answer's line and comes back with STOPPED when the fault is over
	// and a character arrives.
	Hang
	// Garbage: characters of answers from the car are damaged; the prompt still comes.
	Garbage
	// WrongBaud: the two ends use different rates; every line is answered with noise and without a prompt.
	WrongBaud
)

// SetFault switches to one fault, or to none.
func (a *Adapter) SetFault(f Fault) { a.note(func() { a.fault = f }) }

func (a *Adapter) faultNow() (f Fault) {
	a.note(func() { f = a.fault })
	return f
}

// Refuse makes the adapter answer these AT commands with ?, as Options.Refused does.
func (a *Adapter) Refuse(commands ...string) {
	a.note(func() {
		for _, c := range commands {
			a.refused[bare(c)] = true
		}
	})
}

// BrownOut makes the adapter lose its supply for a moment, as at cranking: all settings go back to their defaults
// and it says LV RESET without being asked.
func (a *Adapter) BrownOut() {
	select {
	case a.poke <- struct{}{}:
	default: // one is already on its way
	}
}
