package mixture

import (
	"math"
	"time"
)

// What tells a warm-up level from free air (common practice, no source).
const (
	powerVolts = MaxOffset              // a controller without power puts out no more than a ground offset
	powerTime  = 500 * time.Millisecond // between 0 V and the level
	burntTime  = 3 * time.Second        // with fuel burnt for so long there is no air left in the exhaust
	newsTime   = 3 * time.Second        // what the engine computer said so long ago is no news
)

// evidence collects what tells how a level came about.
type evidence struct {
	unpowered time.Duration // when the input was last seen without power
	seenOff   bool
	burning   timer
	told      time.Duration // when the engine computer last said that fuel is burnt
}

func (e *evidence) reading(t time.Duration, seen float64) {
	if math.Abs(seen) <= powerVolts {
		e.unpowered, e.seenOff = t, true
	}
}

func (e *evidence) engine(t time.Duration, burning bool) {
	if !burning || e.burning.on && t-e.told > newsTime {
		e.burning = timer{}
	}
	if burning {
		e.burning.start(t)
		e.told = t
	}
}

// powered tells whether a level that begins at t follows upon no power.
func (e *evidence) powered(t time.Duration) bool {
	return e.seenOff && t-e.unpowered <= powerTime
}

// burnt tells whether fuel was burnt for some seconds between two instants, up to the later one.
func (e *evidence) burnt(from, to time.Duration) bool {
	return e.burning.on && to-e.told <= newsTime && to-max(from, e.burning.since) >= burntTime
}

// When readings off the scale are a fault, and no longer (common practice, no source).
const faultTime, faultLeave = 500 * time.Millisecond, 300 * time.Millisecond

// fault holds the state of being off the scale, with hysteresis in time.
type fault struct {
	on      bool
	off, ok timer // readings are off the scale; are on it again
}

func (f *fault) feed(t time.Duration, off bool) bool {
	if off {
		f.ok = timer{}
		f.off.start(t)
		f.on = f.on || t-f.off.since >= faultTime
		return f.on
	}
	f.off = timer{}
	f.ok.start(t)
	if t-f.ok.since >= faultLeave {
		f.on = false
	}
	return f.on
}

// offScale tells whether a reading is at the controller's fault level, or so far off its scale that neither a chain nor the
// warm-up level explains it.
func (k *Tracker) offScale(seen float64) bool {
	if k.line.dead > 0 && math.Abs(seen) <= k.line.level {
		return false // the line tells
	}
	l, volts := k.levels, k.chain.True(seen)
	low, high := l.span()
	if l.HasFault && (l.FaultVolts < low || l.FaultVolts > high) {
		rival := math.Min(math.Abs(volts-low), math.Abs(volts-high))
		if l.HasWarmup {
			rival = math.Min(rival, math.Abs(volts-l.WarmupVolts))
		}
		off := math.Abs(volts - l.FaultVolts)
		if off < rival && off <= wideGive+(1-MinGain)*math.Abs(l.FaultVolts) {
			return true
		}
	}
	if l.HasWarmup && k.mayBeWarmup(volts, wideGive) {
		return false
	}
	return volts < low-MaxOffset || volts > high*MaxGain+MaxOffset
}
