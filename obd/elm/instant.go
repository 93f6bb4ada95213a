package elm

import (
	"context"
	"time"

	"underdash/obd"
)

// pace is what is known of the time that the way to the adapter takes. See the package comment.
type pace struct {
	baud      int           // our end's rate, 0 if the line is not ours
	given     time.Duration // a character, by the options and a raised rate; 0 = unknown, or disproved
	measured  time.Duration // a character, as far as calls with and without spaces tell
	transport time.Duration // one way, without characters
	trip      time.Duration // the shortest time from a command to the first character of its reply
	plain     bool          // the echo is off, so that the first character is a reply's
	disproved bool          // a reply came faster than given allows
}

// least is what a character takes at least.
func (p *pace) least() time.Duration {
	if p.given > 0 && !p.disproved {
		return p.given * 31 / 32 // two clocks, each one of 1.5 % off at most
	}
	return p.measured
}

// noteTrip takes in how long the first character of a reply took, after chars characters had been sent.
func (c *Conn) noteTrip(trip time.Duration, chars int) {
	p := &c.pace
	if !p.plain {
		return
	}
	if p.trip == 0 || trip < p.trip {
		p.trip = trip
	}
	if p.given > 0 && trip < p.given*31/32*time.Duration(chars) {
		p.disproved = true // no serial line of that rate lies between us
	}
}

// pings is how many calls of each kind measure a link whose pace is not known. On a busy machine every call may come
// late; among eight, by how late they come shows.
const pings = 8

// span is the least and the most of some durations.
type span struct{ least, most time.Duration }

func (s *span) add(d time.Duration) {
	if s.least == 0 || d < s.least {
		s.least = d
	}
	s.most = max(s.most, d)
}

// measure finds out how long the way takes, where the options do not say or say wrong.
func (c *Conn) measure(ctx context.Context) error {
	p := &c.pace
	p.measured, p.transport = 0, 0
	if p.given == 0 || p.disproved {
		var short, long span
		for range pings {
			for _, x := range []struct {
				command command
				span    *span
			}{{identify, &short}, {identifySlowly, &long}} {
				p.trip = 0
				if _, err := c.command(ctx, x.command, c.o.Timeout); err != nil {
					return err
				}
				x.span.add(p.trip)
			}
		}
		p.trip = short.least
		// What the trips differ by among themselves may be all that they differ by.
		jitter := max(short.most-short.least, long.most-long.least)
		char := (long.least - short.least) / time.Duration(spacesMore)
		p.measured = max(0, char-jitter/time.Duration(spacesMore)) * 2 / 3
		p.transport = max(0, short.least-2*jitter-char*time.Duration(len(lead)+len(identify)+2)) / 8 // the end of the line, and one back
	}
	c.setInfo(func(i *Info) { i.Pace, i.RoundTrip = p.least(), p.trip })
	return nil
}

// bounds are the earliest and the latest instant at which the engine computer can have measured what it answered to a
// request of n bytes, whose last chars characters were sent at once. It reports false if no such instant is possible: the answer
// was under way before the question was, or the line is faster than it is thought to be.
func (c *Conn) bounds(a obd.Answer, t Tally, chars, n int) (earliest, latest time.Time, possible bool) {
	p, bus := &c.pace, buses[c.session.protocol]
	earliest = a.Sent.Add(p.transport + time.Duration(chars)*p.least() + bus.request(n))
	shortest := len(a.Messages[0].Payload)
	for _, m := range a.Messages[1:] {
		shortest = min(shortest, len(m.Payload))
	}
	// The last character of a chunk is in our hands when the middle of its stop bit is, half a bit early.
	halfBit := p.least() / 20
	latest = t.Began.Add(halfBit - bus.first(shortest))
	if framed := t.Framed.Add(halfBit - bus.answer(shortest)); framed.Before(latest) {
		latest = framed
	}
	latest = latest.Add(-p.transport)
	if latest.Before(earliest) {
		return a.Sent, a.First, false
	}
	return earliest, latest, true
}

// bus is how long things take on one of the car's buses at least.
type bus struct {
	bits   int           // of a CAN frame without data
	bit    time.Duration // of CAN
	byte   time.Duration // of the older buses
	framed bool          // the adapter can only print whole frames
}

// headerBytes are the bytes around a message of the older buses: three of a header, and a checksum.
const headerBytes = 3 + 1

// buses by the adapter's protocol number; what is not known takes no time. A CAN frame without stuffing has 44 bits
// beside its data with an 11-bit identifier and 64 with one of 29 bits, from the start of frame to the end of frame.
var buses = [256]bus{
	'1': {byte: 8 * 24 * time.Microsecond},
	'2': {byte: 8 * 64 * time.Microsecond},
	'3': {byte: 10 * time.Second / 10400},
	'4': {byte: 10 * time.Second / 10400},
	'5': {byte: 10 * time.Second / 10400},
	'6': {bits: 44, bit: 2 * time.Microsecond, framed: true},
	'7': {bits: 64, bit: 2 * time.Microsecond, framed: true},
	'8': {bits: 44, bit: 4 * time.Microsecond, framed: true},
	'9': {bits: 64, bit: 4 * time.Microsecond, framed: true},
}

// request is a request of n bytes.
func (b *bus) request(n int) time.Duration { return b.answer(n) }

// answer is an answer's first message or frame, of a payload of n bytes.
func (b *bus) answer(n int) time.Duration {
	if b.framed {
		return time.Duration(b.bits+8*(1+min(n, 7))) * b.bit
	}
	return time.Duration(headerBytes+min(n, 7)) * b.byte // a longer answer is several messages
}

// first is what has been received of an answer at least when the adapter prints its first character.
func (b *bus) first(n int) time.Duration {
	if b.framed {
		return b.answer(n)
	}
	return b.byte
}
