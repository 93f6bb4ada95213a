package poll

import (
	"slices"

	"underdash/obd"
)

// A request is written as service and parameters, 01 0C 04. An adapter that is busy or restarts may swallow the first
// bytes of a line, and what is left is then a request of its own, whose service is our first parameter.

// apart tells the parameter that is asked alone: 04 clears trouble codes, and whatever follows it in a request, there is
// no telling that no engine computer takes it for that. A connection sends it in two steps, the end of the line only
// when the adapter has shown that it has the rest, which takes several times as long.
func apart(p obd.PID) bool { return p == 0x04 }

// dangerous tells the parameter that acts at once as a service if nothing follows it: 08 controls a system. It is put
// behind another, which is quicker than two steps. Where a request holds but one parameter it is asked in two steps like 04.
func dangerous(p obd.PID) bool { return p == 0x08 }

// harmless tells the parameters that are no service which could change anything: the other legislated services only
// read or do not exist, and 40–7F and C0–FF are answers. 10–3F and 80–BF hold the services of ISO 14229 and of makers
// (ranges from memory); they need more bytes than are left, but a request of several parameters might supply them.
func harmless(p obd.PID) bool {
	return !apart(p) && !dangerous(p) && (p < 0x10 || p >= 0x40 && p < 0x80 || p >= 0xC0)
}

// lead puts a harmless parameter first. If there is none in a request of several, or a dangerous one stands alone, it
// borrows one of leads, and where no place is left the last parameter waits for another request. A single parameter
// that is not dangerous is left as it is, 04 among them, and where a request holds but one so is a dangerous one. Else that
// never comes first: if nothing can stand before it, it is left out. The result may use the room of ask; borrowed is the
// parameter that was added, 0 if none was.
func lead(ask []obd.PID, places int, leads []obd.PID) (with []obd.PID, borrowed obd.PID) {
	if i := slices.IndexFunc(ask, harmless); i >= 0 {
		ask[0], ask[i] = ask[i], ask[0]
		return ask, 0
	}
	if len(ask) == 1 && (places == 1 || !dangerous(ask[0])) {
		return ask, 0
	}
	if len(leads) > 0 && places > 1 { // a lead is harmless, so it is not in ask
		if len(ask) == places {
			ask = ask[:places-1]
		}
		return slices.Insert(ask, 0, leads[0]), leads[0]
	}
	if i := slices.IndexFunc(ask, func(p obd.PID) bool { return !dangerous(p) }); i >= 0 {
		ask[0], ask[i] = ask[i], ask[0]
		return ask, 0
	}
	return ask[:0], 0
}
