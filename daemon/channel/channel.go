// Package channel numbers and names every quantity the daemon records and turns the two sources' readings into
// samples on the session clock. A channel is raw: one engine computer's answer to one parameter, or one analog
// input; what it means is derived when somebody reads the session.
package channel

import (
	"fmt"
	"sync"
	"time"

	"underdash/analog"
	"underdash/daemon/timebase"
	"underdash/obd"
	"underdash/store"
)

// PartBytes is the most payload bytes one sample's code holds. Longer answers take several channels, the parts,
// whose samples carry the same instant.
const PartBytes = 8

// Limit is the most channels a table numbers. A car has a few hundred at the most; a line that garbles senders'
// addresses could otherwise invent new ones for ever.
const Limit = 4096

type key struct {
	service obd.Service
	pid     obd.PID
	from    obd.Address
	bytes   int
	part    int
}

// Table gives out channel numbers. A number, once given, means the same for the table's whole life. It is safe for
// concurrent use.
type Table struct {
	clock *timebase.Clock

	mu       sync.Mutex // guards what follows
	channels []store.Channel
	numbers  map[key]uint16
	refused  uint64
}

// New returns an empty table whose samples are placed on the given clock.
func New(clock *timebase.Clock) *Table {
	return &Table{clock: clock, numbers: make(map[key]uint16)}
}

// Channels returns a copy of all channels numbered so far; a channel's number is its index.
func (t *Table) Channels() []store.Channel {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]store.Channel(nil), t.channels...)
}

// Refused returns how many samples were dropped because the table was full.
func (t *Table) Refused() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.refused
}

// AddAnalog numbers an analog input.
func (t *Table) AddAnalog(name string, c store.AnalogChannel) uint16 {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.channels = append(t.channels, store.Channel{Name: name, Analog: &c})
	return uint16(len(t.channels) - 1)
}

// Analog turns a reading of the input with that number into a sample.
func (t *Table) Analog(number uint16, r analog.Reading, flags store.Flags) store.Sample {
	return store.Sample{At: t.clock.At(r.At), Half: r.Half, Channel: number, Code: int64(r.Code), Flags: flags}
}

// OBD turns one parameter of an answer, measured by the car at an instant known to within half, into one sample a
// part of its payload, appended to into.
func (t *Table) OBD(into []store.Sample, from obd.Address, s obd.Service, p obd.PID, data []byte, at time.Time, half time.Duration) []store.Sample {
	when := t.clock.At(at)
	for part := 0; part*PartBytes < len(data); part++ {
		piece := data[part*PartBytes : min(len(data), (part+1)*PartBytes)]
		number, ok := t.number(key{service: s, pid: p, from: from, bytes: len(data), part: part})
		if !ok {
			return into
		}
		into = append(into, store.Sample{At: when, Half: half, Channel: number, Code: pack(piece)})
	}
	return into
}

func (t *Table) number(k key) (uint16, bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n, ok := t.numbers[k]; ok {
		return n, true
	}
	if len(t.channels) >= Limit {
		t.refused++
		return 0, false
	}
	name := fmt.Sprintf("%02X.%v@%v", byte(k.service), k.pid, k.from)
	if k.part > 0 {
		name += fmt.Sprintf("+%d", k.part*PartBytes)
	}
	n := uint16(len(t.channels))
	t.numbers[k] = n
	t.channels = append(t.channels, store.Channel{Name: name, OBD: &store.OBDChannel{
		Service: byte(k.service), PID: byte(k.pid), From: uint32(k.from), Bytes: min(PartBytes, k.bytes-k.part*PartBytes), Part: k.part,
	}})
	return n, true
}

// pack reads up to eight bytes as one big-endian number. Eight bytes with the top bit set come out negative; the
// conversion back is exact all the same.
func pack(b []byte) int64 {
	var v uint64
	for _, x := range b {
		v = v<<8 | uint64(x)
	}
	return int64(v)
}
