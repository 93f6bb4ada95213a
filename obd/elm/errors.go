package elm

import (
	"errors"
	"fmt"

	"underdash/obd"
)

// After these the connection is of no use until the adapter is initialised again (Open) or the stream opened anew.
var (
	// ErrNotAdapter says that what is at the other end does not talk like an ELM327-class adapter.
	ErrNotAdapter = errors.New("this does not answer like an ELM327-class adapter; check the address and the baud rate")
	// ErrTimeout says that the adapter went quiet: no prompt came even after the request was aborted.
	ErrTimeout = errors.New("the adapter stopped answering")
	// ErrReset says that the adapter restarted and has forgotten its settings.
	ErrReset = errors.New("the adapter restarted and lost its settings")
	// ErrAsleep says that the adapter is going into its low-power mode.
	ErrAsleep = errors.New("the adapter goes to sleep")
	// ErrFault says that the adapter reports a fault of its own (ERRxx) or of its wiring (FB ERROR).
	ErrFault = errors.New("the adapter reports a hardware fault")
	// ErrClosed says that the connection was closed by its owner.
	ErrClosed = errors.New("the connection is closed")
	// ErrNotOpen says that Open has not been called, or failed.
	ErrNotOpen = errors.New("the adapter was not initialised; open the connection first")
)

// These concern one request. The adapter is well, so that they are all obd.ErrNoAnswer too: asking again later is
// right, and a caller who cares for no more than that need not know them.
var (
	// ErrUnableToConnect says that the search tried every protocol and no engine computer answered.
	ErrUnableToConnect = soft("the adapter found no engine computer on any protocol; is the ignition on?")
	// ErrFixedProtocol says that no engine computer answered on the one protocol that could be tried: the adapter
	// refuses to be told another, and has not searched by itself. What came instead of an answer is wrapped beside it.
	ErrFixedProtocol = soft("the car does not answer on the protocol that the adapter is set to, and the adapter refuses to be told another; " +
		"is the ignition on? If it is, the car needs an adapter that takes AT TP")
	// ErrBus says that the car's bus could not be used: BUS INIT ERROR, BUS ERROR, BUS BUSY, CAN ERROR.
	ErrBus = soft("the car's bus is asleep or disturbed")
	// ErrStopped says that a character reached the adapter while it worked on the request.
	ErrStopped = soft("the request was interrupted")
	// ErrAborted says that the request took longer than Options allow and was aborted; the adapter is ready again.
	ErrAborted = soft("the request took too long and was aborted")
	// ErrGarbled says that the answer was damaged on its way: checksum, missing or torn frames, unknown words.
	ErrGarbled = soft("the answer was damaged")
	// ErrOverflow says that the adapter lost part of the answer, because the line to it is too slow.
	ErrOverflow = soft("the adapter's buffer overflowed")
	// ErrRefused says that an engine computer refused the request (7F), for instance as not supported.
	ErrRefused = soft("the engine computer refused the request")
	// ErrRejected says that the adapter did not understand the line, even when it was sent again.
	ErrRejected = soft("the adapter does not understand the request")
	// ErrPending says that an engine computer asked for more time than the adapter gives it.
	ErrPending = soft("the engine computer asked for more time and the adapter did not wait")
	// ErrOneParameter says that several parameters were asked in one request on a bus that takes one (SAE J1850,
	// ISO 9141-2, ISO 14230-4). Ask them one by one.
	ErrOneParameter = soft("this car's bus takes one parameter in a request")
	// ErrUnproven says that a request which could become an order on its way was not sent, because the adapter's echo
	// did not show that all of it had arrived.
	ErrUnproven = soft("the adapter did not prove that it got the whole request, so it was taken back")
)

// These are the caller's mistake, and nothing was sent.
var (
	// ErrNotAllowed says that a request could change something in the car, or has too few or too many parameters.
	ErrNotAllowed = errors.New("this request is never sent")
	// ErrOption says that an option makes no sense.
	ErrOption = errors.New("this option makes no sense")
	// ErrHazard says that a line would be an order if it lost its first characters. Request finds another way to send
	// it, so that only a mistake in this package shows it. It is ErrNotAllowed too.
	ErrHazard = fmt.Errorf("%w: it would be an order if it lost its first characters", ErrNotAllowed)
)

// softError is a failure of one request on an adapter that works.
type softError struct{ text string }

func soft(text string) error              { return &softError{text} }
func (e *softError) Error() string        { return e.text }
func (e *softError) Is(target error) bool { return target == obd.ErrNoAnswer }

// Error is what a failed exchange returns: what was sent, what came back and what that means.
type Error struct {
	Sent  string // the line without its end and leading spaces; empty if nothing was sent
	Heard string // the beginning of what came back, as it came; empty if nothing did
	Err   error  // one of this package's sentinels, obd.ErrNoAnswer, or the stream's error

	Reason byte // with ErrRefused: the engine computer's reason, for instance 12, not supported (ISO 14229-1); else 0
}

func (e *Error) Error() string {
	heard := "heard nothing"
	if e.Heard != "" {
		heard = fmt.Sprintf("heard %q", e.Heard)
	}
	if e.Reason != 0 {
		heard = fmt.Sprintf("reason %02X, %s", e.Reason, heard)
	}
	if e.Sent == "" {
		return fmt.Sprintf("%v (%s)", e.Err, heard)
	}
	return fmt.Sprintf("%v (sent %q, %s)", e.Err, e.Sent, heard)
}

// Unwrap gives the cause to errors.Is and errors.As.
func (e *Error) Unwrap() error { return e.Err }
