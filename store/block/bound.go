package block

import (
	"fmt"
	"math/bits"
	"time"
)

// Half widths are bounds, and three or four binary digits of a bound are all it deserves. The scale of half widths is
// 0 to 15 ticks in steps of one, 16 to 30 in steps of two, and so on, eight steps an octave; a place on it is the
// number of steps from 0.
const (
	boundDigits = 3
	octave      = 1 << boundDigits
)

// place is the lowest place on the scale that is not below so many ticks, at least 0.
func place(ticks int64) int64 {
	shift := max(0, bits.Len64(uint64(ticks))-boundDigits-1)
	up := (ticks + 1<<shift - 1) >> shift // octave to 2·octave, where that is the next octave's first place
	return int64(shift)*octave + up
}

// ticks is what stands at a place; ok is false if there is no such place, or it is beyond limit.
func ticks(place, limit int64) (n int64, ok bool) {
	if place < 0 || place >= 64*octave {
		return 0, false
	}
	if place < 2*octave {
		return place, place <= limit
	}
	shift := place/octave - 1
	n = (place - shift*octave) << shift
	return n, shift < 60 && n <= limit
}

// quantise returns an instant in ticks, rounded to the nearest, and the place of a half width that covers the given
// span: it grows by the half tick that rounding may have moved the instant, and up to the next place. What was on a
// tick and on the scale stays as it is.
func quantise(s Sample, tick time.Duration) (at, bound int64, err error) {
	// A second and an eighth of room keep the stored values inside the range too.
	limit := MaxInstant - maxTick
	if s.At > limit || s.At < -limit {
		return 0, 0, fmt.Errorf("%w: an instant of %v, it must be within %v of the session's start", ErrRange, s.At, limit)
	}
	if s.Half < 0 || s.Half > limit/2 {
		return 0, 0, fmt.Errorf("%w: a half width of %v, it must be 0 to %v", ErrRange, s.Half, limit/2)
	}
	rounded := s.At.Round(tick)
	cover := s.Half
	if rounded != s.At {
		cover += (tick + 1) / 2
	}
	return int64(rounded / tick), place(int64((cover + tick - 1) / tick)), nil
}
