package derive

import (
	"fmt"
	"math"
	"slices"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// standIn lets a later parameter with several sensors stand for the older one with one sensor that the car does not
// have, so that a quantity goes by one name in all cars.
type standIn struct {
	pid, of obd.PID
	sum     bool // of all sensors that are there; else the first of them that has a value
	how     string

	channel int
}

// standIns: 66 for 10, 67 for 05, 68 for 0F and 87 for 0B; the compliance test SAE J1699-3 takes either of each. That
// the flows of two air meters add up is from memory.
var standIns = []standIn{
	{pid: 0x66, of: 0x10, sum: true, how: "the sum of both meters where there are two"},
	{pid: 0x67, of: 0x05, how: "the first sensor that has a value"},
	{pid: 0x68, of: 0x0F, how: "the first sensor that has a value"},
	{pid: 0x87, of: 0x0B, how: "the first sensor that has a value"},
}

// addStandIns adds the quantities of parameters that an engine computer was not heard to answer and that another one of
// its parameters holds.
func (s *Session) addStandIns(payloads []*payload, engine obd.Address, taken map[string]bool) {
	for _, p := range payloads {
		i := slices.IndexFunc(standIns, func(x standIn) bool { return x.pid == p.pid })
		if i < 0 || len(p.places) == 0 {
			continue
		}
		x := standIns[i]
		if slices.ContainsFunc(payloads, func(other *payload) bool { return other.from == p.from && other.pid == x.of && len(other.places) > 0 }) {
			continue
		}
		missing := &payload{from: p.from, pid: x.of, context: p.context}
		c := obdChannel(missing, 0, p.from != engine, taken)
		c.Source, c.Note = p.source(), fmt.Sprintf("the car has no %v; out of %v, %s", x.of, p.pid, x.how)
		x.channel = s.addChannel(c)
		p.standIn = &x
	}
}

// value makes one value of a payload's.
func (x *standIn) value(s store.Sample, decoded []pid.Value) Value {
	v := Value{At: s.At, Half: s.Half, Channel: x.channel, Number: math.NaN(), State: NotAvailable}
	for _, d := range decoded {
		switch {
		case d.State != pid.Valid:
		case v.State == "":
			v.Number += d.Number
		default:
			v.Number, v.State = d.Number, ""
		}
		if v.State == "" && !x.sum {
			break
		}
	}
	return v
}
