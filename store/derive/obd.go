package derive

import (
	"cmp"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// payload is one engine computer's answer to one parameter, with the stored channels that hold its parts.
type payload struct {
	from    obd.Address
	pid     obd.PID
	parts   []int // store channel numbers
	widths  []int // bytes of each part
	context pid.Context
	places  []int    // derived channel of each signal, -1 for none; empty for a payload that has no derived channels
	standIn *standIn // the quantity that it also stands for; nil for none

	// What has come of the payload that is being put together.
	data    []byte
	at      store.Sample // of its first part
	next    int          // part that must come
	decoded []pid.Value
}

// addOBD makes the derived channels of the engine computers and of every parameter they answered.
func (s *Session) addOBD() error {
	payloads, err := payloads(s.meta.Channels)
	if err != nil {
		return err
	}
	engine := engineAddress(payloads)
	slices.SortStableFunc(payloads, func(a, b *payload) int {
		return cmp.Or(boolCompare(a.from != engine, b.from != engine), cmp.Compare(a.from, b.from), cmp.Compare(a.pid, b.pid))
	})
	contexts := contexts(s.meta.Static)
	notes := s.decideCommanded(payloads, contexts)
	channels := make(map[string]int) // derived channel by sender, parameter and signal
	taken := make(map[string]bool)
	for _, p := range payloads {
		p.context = contexts[p.from]
		parameter, _ := pid.Lookup(p.pid)
		if _, err := pid.Decode(p.pid, make([]byte, p.bytes()), p.context, nil); err != nil {
			continue // not in the table, or not as long as the table says
		}
		for i := range parameter.Signals {
			if parameter.Optional(i) && p.bytes() == parameter.Bytes {
				p.places = append(p.places, -1)
				continue
			}
			key := fmt.Sprintf("%v %v %d", p.from, p.pid, i)
			place, ok := channels[key]
			if !ok {
				c := obdChannel(p, i, p.from != engine, taken)
				if note, ok := notes[p.from]; ok && p.pid == commandedLambda {
					c.Note = note
				}
				place = s.addChannel(c)
				channels[key] = place
				if p.from == engine {
					s.hears(place, p, i)
				}
			}
			p.places = append(p.places, place)
		}
		s.resets = append(s.resets, p.reset)
		for part, number := range p.parts {
			s.readings[number] = func(sample store.Sample, into []Value) []Value { return p.take(part, sample, into) }
		}
	}
	s.addStandIns(payloads, engine, taken)
	return nil
}

// payloads puts the parts of long payloads together. Answers of different length to the same parameter have their own
// channels: a channel with part 0 begins a payload, the later parts follow it in the list.
func payloads(channels []store.Channel) ([]*payload, error) {
	type key struct {
		service, pid byte
		from         uint32
	}
	var all []*payload
	open := make(map[key]*payload)
	for i, c := range channels {
		o := c.OBD
		if o == nil {
			continue
		}
		if o.Bytes < 1 || o.Bytes > 8 {
			return nil, fmt.Errorf("channel %q: a part of %d bytes, a code holds 1 to 8", c.Name, o.Bytes)
		}
		k := key{o.Service, o.PID, o.From}
		if o.Part == 0 {
			open[k] = &payload{from: obd.Address(o.From), pid: obd.PID(o.PID)}
			if obd.Service(o.Service) == obd.CurrentData {
				all = append(all, open[k])
			}
		}
		p := open[k]
		if p == nil || o.Part != len(p.parts) {
			return nil, fmt.Errorf("channel %q: part %d of a payload without the parts before it", c.Name, o.Part)
		}
		p.parts = append(p.parts, i)
		p.widths = append(p.widths, o.Bytes)
	}
	return all, nil
}

func (p *payload) bytes() int {
	n := 0
	for _, w := range p.widths {
		n += w
	}
	return n
}

func (p *payload) reset() { p.data, p.next = p.data[:0], 0 }

// take adds one part. When the last one has come, all of the same instant, the payload's values are appended to into;
// a payload that stays incomplete means nothing.
func (p *payload) take(part int, s store.Sample, into []Value) []Value {
	if part == 0 {
		p.reset()
		p.at = s
	}
	if part != p.next || s.At != p.at.At || s.Half != p.at.Half {
		p.next = -1 // until the next part 0
		return into
	}
	var code [8]byte
	binary.BigEndian.PutUint64(code[:], uint64(s.Code))
	p.data = append(p.data, code[8-p.widths[part]:]...)
	p.next++
	if p.next < len(p.parts) {
		return into
	}
	// New has seen that the length is right, and nothing else can be wrong.
	p.decoded, _ = pid.Decode(p.pid, p.data, p.context, p.decoded[:0])
	for _, v := range p.decoded {
		if place := p.places[v.Index]; place >= 0 {
			into = append(into, Value{At: s.At, Half: s.Half, Channel: place, Number: v.Number, State: stateText(v.State), Text: v.Text})
		}
	}
	if p.standIn != nil {
		into = append(into, p.standIn.value(s, p.decoded))
	}
	p.next = -1
	return into
}

func stateText(s pid.State) string {
	switch s {
	case pid.NotAvailable:
		return NotAvailable
	case pid.Saturated:
		return Saturated
	case pid.UnknownScale:
		return UnknownScale
	}
	return ""
}

// engineAddress is the sender that is the engine's computer: the one that tells engine speed, of several the one with
// the lowest address (on 11-bit CAN that is 7E8, which ISO 15765-4 gives to the engine's), else the lowest of all.
func engineAddress(payloads []*payload) obd.Address {
	var lowest, withSpeed *payload
	for _, p := range payloads {
		if lowest == nil || p.from < lowest.from {
			lowest = p
		}
		if p.pid == 0x0C && (withSpeed == nil || p.from < withSpeed.from) {
			withSpeed = p
		}
	}
	switch {
	case withSpeed != nil:
		return withSpeed.from
	case lowest != nil:
		return lowest.from
	}
	return 0
}

// contexts collects what each sender said about how to read it.
func contexts(static []store.Static) map[obd.Address]pid.Context {
	all := make(map[obd.Address]pid.Context)
	for _, a := range static {
		if obd.Service(a.Service) != obd.CurrentData {
			continue
		}
		c := all[obd.Address(a.From)]
		// An answer that cannot be taken apart tells nothing; default scaling then holds.
		_ = pid.Split(a.Payload, func(p obd.PID, data []byte) bool {
			c.Note(p, data)
			return true
		})
		all[obd.Address(a.From)] = c
	}
	return all
}

// obdChannel names a signal by its acronym. Some acronyms belong to several parameters: the first keeps it, the others
// get their parameter behind it. Senders other than the engine's computer get their address behind it.
func obdChannel(p *payload, index int, other bool, taken map[string]bool) Channel {
	signal, _ := p.context.Signal(p.pid, index)
	suffix := ""
	if other {
		suffix = "@" + p.from.String()
	}
	name := signal.Acronym + suffix
	for n := 1; taken[name]; n++ {
		name = fmt.Sprintf("%s (%v)%s", signal.Acronym, p.pid, suffix)
		if n > 1 {
			name = fmt.Sprintf("%s (%v, %d)%s", signal.Acronym, p.pid, n, suffix)
		}
	}
	taken[name] = true
	kind := OBD
	if signal.Unit == "" {
		kind = Status
	}
	return Channel{Name: name, Description: signal.Name, Unit: signal.Unit, Kind: kind, Decimals: -1,
		Source: p.source(), Note: note(p, index)}
}

func (p *payload) source() string { return parameterSource(p.pid, p.from) }

func parameterSource(p obd.PID, from obd.Address) string {
	return fmt.Sprintf("%02X %v from %v", byte(obd.CurrentData), p, from)
}

// SourceOf is the Source of the channels that are derived from one of a session's.
func SourceOf(c store.Channel) string {
	if c.OBD == nil {
		return c.Name
	}
	return parameterSource(obd.PID(c.OBD.PID), obd.Address(c.OBD.From))
}

// note says what the car's word, or the lack of it, made of a signal.
func note(p *payload, index int) string {
	var notes []string
	switch full, known := p.context.Scale(p.pid, index); {
	case p.pid == commandedLambda: // see decideCommanded
	case !known:
		notes = append(notes, "the car lists its full scale and did not tell it")
	case full > 0:
		signal, _ := p.context.Signal(p.pid, index)
		notes = append(notes, strings.TrimSuffix(fmt.Sprintf("the car declares a full scale of %v %s", full, signal.Unit), " 1"))
	}
	if pid.IsOxygenSensor(p.pid) && !p.context.LocationKnown {
		notes = append(notes, "the car did not tell how it numbers its sensors, two banks are assumed")
	}
	return strings.Join(notes, "; ")
}

func boolCompare(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
