package iio

import (
	"errors"
	"math"
	"time"

	"underdash/analog"
)

// ErrNoBuffer says that a channel cannot be read through its converter's buffer, as things stand; the text says what would have to
// be changed. Reading the channel's file, by Open, may work all the same.
var ErrNoBuffer = errors.New("no usable buffer")

// transferTime is how far apart a conversion's end and its timestamp may be, apart from the conversion's own age: some drivers take
// the timestamp when the trigger fires and others after the transfer, which takes up to a millisecond on I²C at 100 kHz (two
// registers of 5 bytes each).
const transferTime = time.Millisecond

// scans turns a buffer's bytes into readings.
type scans struct {
	size         int
	value, stamp element
	period       time.Duration // of a conversion

	since   time.Time // what was converted before is left out
	rest    []byte    // of a scan that has not come whole yet
	last    int64     // newest timestamp
	any     bool      // there is one
	rhythm  rhythm
	thin    thinning
	overrun func(from, until time.Time, lost int)
}

// instant is one instant on the clock of the timestamps and on our own, and what the two may be apart by.
type instant struct {
	clock int64 // ns
	at    time.Time
	half  time.Duration
}

// take turns bytes into readings, appended to into. now says what the device's clock reads at an instant.
func (s *scans) take(into []analog.Reading, b []byte, now instant) []analog.Reading {
	s.rest = append(s.rest, b...)
	data := s.rest
	for ; len(data) >= s.size; data = data[s.size:] {
		stamp := s.stamp.typ.decode(data[s.stamp.at:])
		at := now.at.Add(time.Duration(stamp - now.clock))
		if at.Before(s.since) || at.After(now.at.Add(time.Second)) || s.any && stamp <= s.last {
			continue // left in the buffer by an earlier reader, of another clock, or out of order
		}
		if s.any {
			if lost := s.rhythm.lost(time.Duration(stamp - s.last)); lost > 0 && s.overrun != nil {
				s.overrun(now.at.Add(time.Duration(s.last-now.clock)), at, lost)
			}
		}
		s.last, s.any = stamp, true
		if !s.thin.due(at, s.rhythm.interval) {
			continue
		}
		into = append(into, analog.Reading{
			Code: int32(s.value.typ.decode(data[s.value.at:])),
			At:   at.Add(-s.period),
			Half: s.period/2 + transferTime + now.half,
		})
	}
	s.rest = append(s.rest[:0], data...)
	return into
}

// rhythm learns how far apart scans are, and tells how many are missing: a full buffer drops the newest scans without a word.
type rhythm struct {
	interval time.Duration // 0 until it is known
	first    []time.Duration
	odd      int // gaps in a row
}

// learning is how many intervals tell a rhythm.
const learning = 9

// lost takes the next interval and returns how many scans it lacks.
func (r *rhythm) lost(d time.Duration) int {
	if r.interval == 0 {
		r.first = append(r.first, d)
		if len(r.first) == learning {
			r.interval, r.first = median(r.first), nil
		}
		return 0
	}
	if float64(d) < 1.75*float64(r.interval) {
		r.odd = 0
		r.interval += (d - r.interval) / 16
		return 0
	}
	if r.odd++; r.odd > learning { // no gaps: somebody made the trigger slower
		*r = rhythm{}
		return 0
	}
	return int(math.Round(float64(d)/float64(r.interval))) - 1
}

func median(d []time.Duration) time.Duration {
	for i := range d { // few: insertion sort
		for j := i; j > 0 && d[j] < d[j-1]; j-- {
			d[j], d[j-1] = d[j-1], d[j]
		}
	}
	return d[len(d)/2]
}

// thinning lets through so many readings a second, as evenly as they come.
type thinning struct {
	period time.Duration // 0: every reading
	next   time.Time
}

// due tells whether a reading is the one nearest to the next instant that is due. interval is how far apart readings are.
func (t *thinning) due(at time.Time, interval time.Duration) bool {
	if t.period == 0 {
		return true
	}
	if at.Before(t.next.Add(-interval / 2)) {
		return false
	}
	if t.next = t.next.Add(t.period); t.next.Before(at.Add(-t.period / 2)) {
		t.next = at.Add(t.period) // the first, or after a gap
	}
	return true
}
