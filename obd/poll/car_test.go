package poll

import (
	"context"
	"fmt"
	"slices"
	"time"

	"underdash/obd"
)

// ecu is one engine computer of a virtual car. Parameters map to their data bytes; a list of several is answered in
// turn, the last one for ever.
type ecu struct {
	from   obd.Address
	params map[obd.PID][]string
	info   map[obd.PID]string // service 09, after 49 and the InfoType
}

// car answers requests as a functional request on a bus is answered: by every engine computer that knows something of
// what is asked.
type car struct {
	ecus   []ecu
	packs  int           // most parameters answered in one request; 0 = 1
	delay  time.Duration // from the request to the first byte
	talk   time.Duration // from the first byte to the end
	before func(n int, r obd.Request) (obd.Answer, error, bool)
	after  func(n int, r obd.Request, a *obd.Answer)

	asked []obd.Request
}

func (c *car) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	if err := ctx.Err(); err != nil {
		return obd.Answer{}, err
	}
	n := len(c.asked)
	asked := r
	asked.PIDs = slices.Clone(r.PIDs)
	c.asked = append(c.asked, asked)
	a := obd.Answer{Sent: time.Now()}
	time.Sleep(c.delay)
	a.First = time.Now()
	time.Sleep(c.talk)
	a.Done = time.Now()
	if c.before != nil {
		if x, err, done := c.before(n, r); done {
			if err == nil {
				x.Sent, x.First, x.Done = a.Sent, a.First, a.Done
			}
			return x, err
		}
	}
	for _, e := range c.ecus {
		if payload := e.answer(r, max(c.packs, 1)); payload != nil {
			a.Messages = append(a.Messages, obd.Message{From: e.from, Payload: payload})
		}
	}
	if c.after != nil {
		c.after(n, r, &a)
	}
	if len(a.Messages) == 0 {
		return obd.Answer{}, fmt.Errorf("request %s: %w", r, obd.ErrNoAnswer)
	}
	return a, nil
}

func (e ecu) answer(r obd.Request, packs int) []byte {
	if r.Service == obd.VehicleInfo {
		if s, ok := e.info[r.PIDs[0]]; ok {
			return append([]byte{0x49, byte(r.PIDs[0])}, s...)
		}
		return nil
	}
	if len(r.PIDs) > packs {
		return nil
	}
	payload := []byte{0x41}
	for _, p := range r.PIDs {
		values := e.params[p]
		if p&0x1F == 0 {
			values = []string{e.bitmap(p)}
		}
		if len(values) == 0 || values[0] == "" {
			continue
		}
		payload = append(append(payload, byte(p)), values[0]...)
		if len(values) > 1 {
			e.params[p] = values[1:]
		}
	}
	if len(payload) == 1 {
		return nil
	}
	return payload
}

func (e ecu) bitmap(base obd.PID) string {
	var b [4]byte
	any := base == 0
	for p := range e.params {
		switch n := int(p) - int(base) - 1; {
		case n >= 0 && n < 32:
			b[n/8] |= 0x80 >> (n % 8)
			any = true
		case n >= 32:
			b[3] |= 1
			any = true
		}
	}
	if !any {
		return ""
	}
	return string(b[:])
}

// sedan is a four-cylinder car with what a mixture log wants; the values are invented.
func sedan() *car {
	return &car{
		packs: 6, delay: 5 * time.Millisecond, talk: 3 * time.Millisecond,
		ecus: []ecu{
			{from: 0x7E8, info: map[obd.PID]string{0x02: "\x01VIN", 0x04: "\x01CAL"}, params: map[obd.PID][]string{
				0x01: {"\x00\x07\xE5\x00"}, 0x03: {"\x02\x00"}, 0x04: {"\x2E"}, 0x05: {"\x75"}, 0x06: {"\x81"}, 0x07: {"\x82"},
				0x0B: {"\x1A"}, 0x0C: {"\x0A\x8E"}, 0x0D: {"\x00"}, 0x0E: {"\x95"}, 0x0F: {"\x3C"}, 0x10: {"\x01\x70"},
				0x11: {"\x28"}, 0x13: {"\x03"}, 0x15: {"\x11\xFF"}, 0x1C: {"\x06"}, 0x1F: {"\x00\x10"}, 0x2E: {"\x39"},
				0x2F: {"\x5C"}, 0x33: {"\x64"}, 0x34: {"\x80\x00\x80\x00"}, 0x42: {"\x37\xFF"}, 0x43: {"\x00\x3D"},
				0x44: {"\x80\x00"}, 0x46: {"\x3D"}, 0x4F: {"\x00\x00\x00\x22"}, 0x51: {"\x01"}, 0x5C: {"\x8B"}, 0xA6: {"\x00\x1C\x81\x78"},
			}},
			{from: 0x7E9, params: map[obd.PID][]string{0x01: {"\x00\x04\x00\x00"}, 0x0C: {"\x0A\x90"}, 0x0D: {"\x00"}, 0x1C: {"\x06"}}},
		},
	}
}
