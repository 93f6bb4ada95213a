// Package obd is the vocabulary of a conversation with a car: what may be asked, who answered, and when.
// It knows no adapter, no byte stream and no parameter's meaning.
package obd

import (
	"errors"
	"fmt"
	"time"
)

// Service is the first byte of a request, the diagnostic service of SAE J1979 / ISO 15031-5.
type Service byte

// The services a logger has a use for. Every one of them only reads.
const (
	CurrentData    Service = 0x01 // live parameters
	FreezeFrame    Service = 0x02 // parameters as they were when a trouble code was stored
	StoredCodes    Service = 0x03 // confirmed trouble codes
	PendingCodes   Service = 0x07 // trouble codes of this or the last drive cycle
	VehicleInfo    Service = 0x09 // VIN, calibration IDs, verification numbers
	PermanentCodes Service = 0x0A // trouble codes that only a passed self-test removes
)

// ReadsOnly reports whether the service can only read from the car. Services outside this closed set
// (clearing codes, actuator tests, sessions, writing) are never sent by this program.
func (s Service) ReadsOnly() bool {
	switch s {
	case CurrentData, FreezeFrame, StoredCodes, PendingCodes, VehicleInfo, PermanentCodes:
		return true
	}
	return false
}

// ResponseOffset is what an engine computer adds to the service byte of a positive answer: 01 is answered by 41.
const ResponseOffset = 0x40

// NegativeResponse is the first byte of a refusal: 7F, then the service asked, then the reason.
const NegativeResponse = 0x7F

// PID is a parameter identifier within a service; in service 09 it is called InfoType.
type PID byte

func (p PID) String() string { return fmt.Sprintf("%02X", byte(p)) }

// Address is the identifier an answer came from: the CAN identifier (7E8, 18DAF110) or, on older buses, the
// sender's address byte. 0 means that the adapter did not show it.
type Address uint32

func (a Address) String() string { return fmt.Sprintf("%X", uint32(a)) }

// Everybody is the recipient of a functional request: every engine computer that listens on the bus.
const Everybody Address = 0xFFFF_FFFF

// Request is one question to the car: a service and, where the service takes them, up to six parameters.
type Request struct {
	Service Service
	PIDs    []PID

	// To is the one engine computer that is asked, named by the address its answers come from (7E8). Only its
	// answers are returned. 0 asks whomever the connection is focused on, by default everybody; Everybody asks all.
	To Address
	// Bytes is the length of the answer's payload where the asker knows it (410C1AF8 has 4), 0 where not. It lets
	// the connection tell the adapter how many frames to wait for; an answer of another length is returned too.
	Bytes int
}

func (r Request) String() string {
	s := fmt.Sprintf("%02X", byte(r.Service))
	for _, p := range r.PIDs {
		s += " " + p.String()
	}
	return s
}

// Message is what one engine computer said in answer to one request, put together from its frames:
// service byte with ResponseOffset, parameter, data (41 0C 1A F8), without padding.
type Message struct {
	From    Address
	Payload []byte
}

// Answer is everything that came back for one request, and the instants that bound when the car measured it.
type Answer struct {
	Messages []Message // one or more; valid until the next request on the same connection

	Sent  time.Time // taken just before the request's bytes were given to the operating system
	First time.Time // when the first byte of the answer was seen
	Done  time.Time // when the adapter was ready for the next request

	// Earliest and Latest bound the measurement more closely than Sent and First, by what the line, the bus and the
	// transport must have taken. Zero means that no more than Sent and First is known.
	Earliest, Latest time.Time

	Frames int // lines or frames the answer took, for those who plan the link's time
}

// Instant is when the answer's values were measured by the engine computer, as well as the observed bytes can
// tell: somewhere between Earliest and Latest. It returns the middle of that span and its half width, which is the
// largest possible error.
func (a Answer) Instant() (at time.Time, half time.Duration) {
	from, until := a.Earliest, a.Latest
	if from.IsZero() {
		from = a.Sent
	}
	if until.IsZero() {
		until = a.First
	}
	half = (until.Sub(from) + 1) / 2
	return from.Add(half), half
}

// ErrNoAnswer says that the adapter works and the car did not answer this request. A parameter the car ignores
// and a car that sleeps look alike; asking again later is right in both cases.
var ErrNoAnswer = errors.New("the car did not answer")
