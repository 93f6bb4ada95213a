package obdtest

import (
	"cmp"
	"context"
	"encoding/hex"
	"slices"
	"strconv"
	"time"

	"underdash/obd"
)

// formatTime is fetching and formatting one received frame (data sheet p. 74: 0.029 and 0.193 ms).
const formatTime = 222 * time.Microsecond

// request answers a line of hex digits: send it to the car, print what comes back.
func (d *dialogue) request(ctx context.Context, text string, at time.Time) error {
	sent := at.Add(parseTime)
	data, count, ok := d.parse(text)
	if !ok {
		return d.unknown(ctx, sent)
	}
	d.noteRequest(Request{At: at, Header: d.set.header, Data: data, Count: count})
	if words := d.wordsNow(); words != "" {
		return d.reply(ctx, sent, words)
	}
	fault := d.faultNow()
	if count > 0 && d.o.DeafCount {
		return d.nobody(ctx, sent.Add(d.timeout()))
	}
	asleep := fault == SleepingBus || d.o.Asleep(sent)
	if !d.set.open {
		connected, when, err := d.connect(ctx, sent, asleep || fault == SilentCar)
		if err != nil || !connected {
			return err
		}
		sent = when
	}
	if asleep && d.set.can() {
		d.set.open = false
		return d.reply(ctx, sent.Add(d.set.frame(8)), "CAN ERROR")
	}
	var frames []frame
	if fault != SilentCar && !asleep {
		frames = d.ask(data, sent)
	}
	sent = sent.Add(d.set.frame(8))
	return d.print(ctx, append(d.leftOver(sent), frames...), sent, count, fault)
}

// parse reads the digits: pairs, and an odd one at the end that is the response count.
func (d *dialogue) parse(text string) (data []byte, count int, ok bool) {
	most := 14
	if d.set.long || !d.set.format {
		most = 16
	}
	if !isHex(text) || len(text) < 2 || len(text)&^1 > most {
		return nil, 0, false
	}
	if len(text)%2 == 1 {
		n, _ := strconv.ParseUint(text[len(text)-1:], 16, 8)
		if count, text = int(n), text[:len(text)-1]; count == 0 || d.o.NoCount {
			return nil, 0, false
		}
	}
	data, _ = hex.DecodeString(text)
	if d.o.TwoBytes && len(data) > 2 {
		data = data[:2]
	}
	return data, count, true
}

// connect brings the protocol up, searching if it may. It returns when the request itself can go out. When it
// could not, it has said so.
func (d *dialogue) connect(ctx context.Context, ready time.Time, silent bool) (bool, time.Time, error) {
	s := &d.set
	match := s.protocol == d.o.Protocol
	if s.auto && !(match && !silent) {
		return d.search(ctx, ready, silent)
	}
	switch s.protocol {
	case '3', '4', '5':
		return d.wake(ctx, ready, match && !silent)
	case '1', '2':
		if match {
			break
		}
		return false, ready, d.nobody(ctx, ready.Add(d.timeout()))
	default:
		if match {
			break
		}
		return false, ready, d.reply(ctx, ready.Add(s.frame(8)), "CAN ERROR")
	}
	s.open = true
	return true, ready, nil
}

// search tries one protocol after the other.
func (d *dialogue) search(ctx context.Context, ready time.Time, silent bool) (bool, time.Time, error) {
	if err := d.line.send(ctx, ready, []byte("SEARCHING...")); err != nil {
		return false, ready, err
	}
	end := ready.Add(d.o.SearchTime)
	if silent {
		end = ready.Add(d.o.SearchFail)
	}
	stopped, err := d.pause(ctx, end)
	switch {
	case err != nil:
		return false, end, err
	case stopped:
		return false, end, d.breakOff(ctx, true)
	case silent:
		return false, end, d.line.send(ctx, end, d.dress("\rUNABLE TO CONNECT\r\r>"))
	}
	d.set.protocol, d.set.open, d.late = d.o.Protocol, true, nil
	return true, end, d.line.send(ctx, end, d.dress("\r"))
}

// wake is the start of a K-line session: five baud takes 2.5 s, the fast way 0.3 s.
func (d *dialogue) wake(ctx context.Context, ready time.Time, awake bool) (bool, time.Time, error) {
	text, end := "BUS INIT: ...", ready.Add(2500*time.Millisecond)
	if d.set.protocol == '5' {
		text, end = "BUS INIT: ", ready.Add(300*time.Millisecond)
	}
	if err := d.line.send(ctx, ready, []byte(text)); err != nil {
		return false, end, err
	}
	stopped, err := d.pause(ctx, end)
	switch {
	case err != nil:
		return false, end, err
	case stopped:
		return false, end, d.breakOff(ctx, true)
	case !awake:
		return false, end, d.reply(ctx, end, "ERROR")
	}
	d.set.open = true
	return true, end, d.line.send(ctx, end, d.dress("OK\r"))
}

// breakOff says that a character interrupted the request.
func (d *dialogue) breakOff(ctx context.Context, inLine bool) error {
	d.note(func() { d.heard.Stopped++ })
	text := "STOPPED"
	if inLine {
		text = "\r" + text
	}
	return d.reply(ctx, time.Now(), text)
}

func (d *dialogue) nobody(ctx context.Context, at time.Time) error {
	if stopped, err := d.pause(ctx, at); err != nil {
		return err
	} else if stopped {
		return d.breakOff(ctx, false)
	}
	d.note(func() { d.heard.NoData++ })
	d.learn(0)
	return d.reply(ctx, at, "NO DATA")
}

// ask hands the request, which leaves at the given instant, to the engine computers it is addressed to, and
// returns their frames in the order in which they appear on the bus and pass the filter.
func (d *dialogue) ask(data []byte, sent time.Time) []frame {
	arrived := sent.Add(d.set.frame(8))
	if !d.set.format && d.set.can() { // the host wrote the frame itself
		n := int(data[0] & 0x0F)
		if data[0]>>4 != 0 || n == 0 || n >= len(data) {
			return nil
		}
		data = data[1 : 1+n]
	}
	var frames []frame
	for _, ecu := range d.o.ECUs {
		if ecu.Answer == nil || !d.set.addressed(ecu.Address) || !d.set.can() && len(data) > 2 && data[0] == 1 {
			continue
		}
		delay, share := 8*time.Millisecond, 0.5
		if ecu.Delay != nil {
			delay = max(0, ecu.Delay())
		}
		if ecu.Sampled != nil {
			share = min(1, max(0, ecu.Sampled()))
		}
		var more time.Duration
		if ecu.Pending != nil {
			more = max(0, ecu.Pending(data))
		}
		payload := ecu.Answer(data, arrived.Add(more+time.Duration(share*float64(delay))))
		if len(payload) == 0 {
			continue
		}
		if more > 0 {
			frames = append(frames, d.split(ecu, []byte{obd.NegativeResponse, data[0], responsePending}, arrived.Add(delay))...)
		}
		frames = append(frames, d.split(ecu, payload, arrived.Add(delay+more))...)
	}
	slices.SortStableFunc(frames, func(a, b frame) int { return cmp.Compare(a.at.UnixNano(), b.at.UnixNano()) })
	gap := d.set.frame(8) + 16*time.Microsecond
	for i := 1; i < len(frames); i++ { // one frame at a time on the bus
		frames[i].at = later(frames[i].at, frames[i-1].at.Add(gap))
	}
	return slices.DeleteFunc(frames, func(f frame) bool { return !d.set.passes(f.from) })
}
