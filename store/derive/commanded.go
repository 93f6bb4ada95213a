package derive

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// Parameters that tell how a commanded λ is to be read.
const (
	fuelSystemStatus obd.PID = 0x03
	coolant          obd.PID = 0x05
	coolantSensors   obd.PID = 0x67
	commandedLambda  obd.PID = 0x44
)

const (
	// warm is the coolant temperature from which a closed loop is regulated around λ 1, in °C. Common practice, no
	// source.
	warm = 60
	// fewest is how many readings in a warm closed loop decide, enough is how many are looked at. No source: five
	// seconds of a channel that is asked twice a second, and fifty.
	fewest, enough = 10, 100
	// stale is how old the loop's state may be.
	stale = 5 * time.Second
	// nearOne is how far from 1 the commanded λ of a warm closed loop is taken to be at most, where there is no second
	// scale to compare with.
	nearOne = 0.2
)

// loop is what one engine computer showed of its closed loop.
type loop struct {
	context   pid.Context
	closed    bool
	closedAt  time.Duration
	hasTemp   bool // it tells a coolant temperature
	temp      float64
	commanded []uint16 // raw readings in warm closed loop
}

// decideCommanded settles for every engine computer of which it is open how its commanded λ is scaled, and says in words
// what came of it, by sender.
//
// SAE J1699-3 applies the full scale of λ that the car declares in 4F to 44 as well; real cars that declare one do not.
// In a warm closed loop an engine is commanded to burn at λ 1, so of the two scales the one that brings the median of the
// readings there nearer to 1 is the car's. The decision is in force for the whole session, also for what was read
// before it: nothing about the car changes in a drive. Without a warm closed loop it stays open, and then only readings
// that can be but one of the two have a value; see pid.Context.
func (s *Session) decideCommanded(payloads []*payload, contexts map[obd.Address]pid.Context) map[obd.Address]string {
	loops := make(map[obd.Address]*loop)
	for _, p := range payloads {
		if c := contexts[p.from]; p.pid == commandedLambda && c.CommandedOpen() {
			loops[p.from] = &loop{context: c, temp: math.NaN()}
		}
	}
	if len(loops) == 0 {
		return nil
	}
	type source struct {
		*loop
		*payload
	}
	sources := make(map[uint16]source)
	for _, p := range payloads {
		l := loops[p.from]
		if l == nil || len(p.parts) != 1 {
			continue
		}
		switch p.pid {
		case fuelSystemStatus, commandedLambda:
			sources[uint16(p.parts[0])] = source{l, p}
		case coolant, coolantSensors:
			l.hasTemp = true
			sources[uint16(p.parts[0])] = source{l, p}
		}
	}
	for x, err := range inOrder(s.source.Samples()) {
		if err != nil {
			continue // Values will tell
		}
		if from, ok := sources[x.Channel]; ok {
			from.look(from.payload, x)
			if from.pid == commandedLambda && settled(loops) {
				break
			}
		}
	}
	notes := make(map[obd.Address]string)
	for from, l := range loops {
		c := l.context
		c.CommandedLambda, notes[from] = l.scaleOfCommand()
		contexts[from] = c
	}
	return notes
}

func settled(loops map[obd.Address]*loop) bool {
	for _, l := range loops {
		if len(l.commanded) < enough {
			return false
		}
	}
	return true
}

// look takes in one reading.
func (l *loop) look(p *payload, x store.Sample) {
	var code [8]byte
	binary.BigEndian.PutUint64(code[:], uint64(x.Code))
	data := code[8-p.widths[0]:]
	switch p.pid {
	case fuelSystemStatus:
		l.closed, l.closedAt = data[0]&0x02 != 0, x.At
	case coolant, coolantSensors:
		if v, err := pid.Decode(p.pid, data, l.context, nil); err == nil && v[0].State == pid.Valid {
			l.temp = v[0].Number
		}
	case commandedLambda:
		regulated := l.closed && x.At-l.closedAt <= stale && (!l.hasTemp || l.temp >= warm)
		if raw := uint16(x.Code); regulated && raw != 0 && raw != 0xFFFF && len(l.commanded) < enough {
			l.commanded = append(l.commanded, raw)
		}
	}
}

// scaleOfCommand is the full scale that the readings show, 0 if they show none, and that in words.
func (l *loop) scaleOfCommand() (full float64, note string) {
	declared := fmt.Sprintf("the car declares a full scale of %v for λ", l.context.Lambda)
	if l.context.Lambda == 0 {
		declared = "the car lists full scales and did not tell them"
	}
	n := len(l.commanded)
	if n < fewest {
		return 0, declared + ", and no warm closed loop shows whether this one follows; what may be either has no value"
	}
	slices.Sort(l.commanded)
	raw := float64(l.commanded[n/2])
	byDefault := math.Abs(raw*pid.DefaultLambda/65536 - 1)
	shown := fmt.Sprintf("as %d readings in warm closed loop show", n)
	switch {
	case l.context.Lambda == 0 && byDefault > nearOne:
		return 0, declared + ", and the warm closed loop does not show default scaling; it has no value"
	case l.context.Lambda == 0, byDefault <= math.Abs(raw*l.context.Lambda/65535-1):
		return pid.DefaultLambda, declared + "; this one is in default scaling, " + shown
	}
	return l.context.Lambda, declared + "; this one follows it, " + shown
}
