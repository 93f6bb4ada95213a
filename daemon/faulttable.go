package daemon

import (
	"errors"
	"time"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/poll"
	"underdash/obd/port"
)

// remedy is what is done about a fault of the link to the car. Each one includes those before it.
type remedy uint8

const (
	askAgain  remedy = iota // the adapter is well: put the next request
	setUp                   // the stream is well: restart the adapter and choose its settings anew
	openAgain               // close the stream and open it by its address
)

func (r remedy) String() string { return [...]string{"ask again", "set up again", "open again"}[r] }

// fault is one row of the table of faults.
type fault struct {
	name  string
	seen  func(error) bool // recognises it
	does  remedy           // what is done first
	tries int              // after so many failures in a row the next stronger remedy is taken; 0 = never
	first time.Duration    // the pause before the first try
	most  time.Duration    // the pause doubles up to this
	rate  bool             // open with another baud rate now and then, see nextRate
}

func is(targets ...error) func(error) bool {
	return func(err error) bool {
		for _, t := range targets {
			if errors.Is(err, t) {
				return true
			}
		}
		return false
	}
}

// faults is the table, looked through from its top: the first row that recognises an error counts. It ends with a row
// that takes all. No fault ends the link for good: what is out of reach today is plugged in tomorrow. A pause is short
// enough for the link to be back within 5 s of the fault's end, and long enough not to burden anybody: to look for a
// device costs next to nothing, a request may wake a computer.
//
// A parked car is no fault, and has an exception of its own: an adapter that was put to low power is woken only every
// Parking.WakeEvery, 20 s, to read the voltage. So where nothing but the voltage tells that the engine runs, the first
// reading comes up to 25 s after the start; with an input that comes to life, or Parking.SleepAfter negative, within 5 s.
// Where not even the voltage tells, it is up to half an hour, see pauses.
// What an adapter says for ever instead of a reading is met as often as the table says only until the car counts as parked:
// the voltage, or the time where that tells nothing, says when.
//
//	fault                          seen as                              ask    set up  open   pause
//	                                                                    again  again   again
//	──────────────────────────────────────────────────────────────────────────────────────────────────────────
//	another program on the port    port.ErrBusy                                          ●     0.5 s … 1 s
//	not found: unplugged, another  port.ErrNotFound                                      ●     0.25 s … 1 s
//	  node to come, TCP refused,
//	  radio out of reach
//	no permission (yet)            port.ErrPermission                                    ●     0.5 s … 2 s
//	no port, an impossible address port.ErrNotSerial, ErrOption                          ●     1 s … 2 s
//	too many open files            port.ErrTooManyFiles                                  ●     1 s … 2 s
//	unplugged, TCP peer gone       port.ErrGone                                          ●     0.1 s … 1 s
//	the line takes nothing         port.ErrTimeout                                       ●     0.5 s … 2 s
//	nothing like an adapter:       elm.ErrNotAdapter                                     ●     0.25 s … 1 s, the rate
//	  wrong baud, hung for long                                                                changes every other time,
//	                                                                                           in silence every fourth
//	the adapter restarted          elm.ErrReset                                 ● 3 ───▶ ●     0 … 1 s, and see park
//	the adapter went to sleep      elm.ErrAsleep                                ● 3 ───▶ ●     2.5 s, and see park
//	the adapter reports a fault    elm.ErrFault                                 ● 3 ───▶ ●     0.5 s … 2 s, and see park
//	hung in mid-answer             elm.ErrTimeout                               ● 2 ───▶ ●     0 … 1 s
//	garbage                        errDamaged                                   ●              0.1 s … 1 s, and see park
//	silent car, sleeping bus       obd.ErrNoAnswer                       ●                     0.5 s … 2 s, and see park
//	nothing in it that we know     poll.ErrNothingToAsk                  ●                     2 s, and see park
//	anything else                                                                        ●     0.5 s … 2 s
var faults = []fault{
	{name: "another program on the port", seen: is(port.ErrBusy), does: openAgain, first: 500 * time.Millisecond, most: time.Second},
	{name: "not found", seen: is(port.ErrNotFound), does: openAgain, first: 250 * time.Millisecond, most: time.Second},
	{name: "no permission", seen: is(port.ErrPermission), does: openAgain, first: 500 * time.Millisecond, most: 2 * time.Second},
	{name: "no port", seen: is(port.ErrNotSerial, port.ErrOption), does: openAgain, first: time.Second, most: 2 * time.Second},
	{name: "too many open files", seen: is(port.ErrTooManyFiles), does: openAgain, first: time.Second, most: 2 * time.Second},
	{name: "gone", seen: is(port.ErrGone), does: openAgain, first: 100 * time.Millisecond, most: time.Second},
	{name: "takes nothing", seen: is(port.ErrTimeout), does: openAgain, first: 500 * time.Millisecond, most: 2 * time.Second},
	{name: "no adapter's answer", seen: is(elm.ErrNotAdapter), does: openAgain, first: 250 * time.Millisecond, most: time.Second, rate: true},
	{name: "adapter restarted", seen: is(elm.ErrReset, elm.ErrNotOpen), does: setUp, tries: 3, most: time.Second},
	// It goes to sleep in two seconds and cannot be kept from it (data sheet of the original); then it can be woken.
	{name: "adapter goes to sleep", seen: is(elm.ErrAsleep), does: setUp, tries: 3, first: 2500 * time.Millisecond, most: 2500 * time.Millisecond},
	{name: "adapter's own fault", seen: is(elm.ErrFault), does: setUp, tries: 3, first: 500 * time.Millisecond, most: 2 * time.Second},
	{name: "adapter hangs", seen: is(elm.ErrTimeout), does: setUp, tries: 2, most: time.Second},
	{name: "garbage", seen: is(errDamaged), does: setUp, first: 100 * time.Millisecond, most: time.Second},
	{name: "silent car", seen: is(obd.ErrNoAnswer), does: askAgain, first: 500 * time.Millisecond, most: 2 * time.Second},
	{name: "nothing to ask", seen: is(poll.ErrNothingToAsk), does: askAgain, first: 2 * time.Second, most: 2 * time.Second},
	{name: "anything else", seen: func(error) bool { return true }, does: openAgain, first: 500 * time.Millisecond, most: 2 * time.Second},
}

// errDamaged says that so many answers in a row came damaged that asking again is no remedy.
var errDamaged = errors.New("the adapter's answers are damaged; check its plug and the baud rate")

// speaks tells the faults of an adapter that is there and tells its voltage, at once or when it was set up anew: no outage,
// however often they come.
var speaks = is(errDamaged, elm.ErrFault, elm.ErrReset, elm.ErrAsleep)

// judge finds an error's row.
func judge(err error) *fault {
	for i := range faults {
		if faults[i].seen(err) {
			return &faults[i]
		}
	}
	return &faults[len(faults)-1]
}

// remedy is what is done after so many failures in a row, 1 being the first.
func (f *fault) remedy(failures int) remedy {
	if f.tries > 0 && failures > f.tries && f.does < openAgain {
		return f.does + 1
	}
	return f.does
}

// pause is how long is waited after so many failures in a row. retry and most bound it from above.
func (f *fault) pause(failures int, retry, most time.Duration) time.Duration {
	if failures <= 1 && f.first == 0 {
		return 0
	}
	first := min(max(f.first, 100*time.Millisecond), retry)
	return min(first<<min(max(0, failures-1), 10), f.most, most)
}
