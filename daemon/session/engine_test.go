package session

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// A script line: at second At, a speed report (>= 0), or a mixture reading, or only the passing of time.
type line struct {
	at      float64
	rpm     float64 // < 0: none
	mixture bool
	lean    bool
	volts   float64 // 0: none
}

func play(o EngineOptions, script []line) (verdicts map[float64]Verdict) {
	e := NewEngine(0, o)
	verdicts = make(map[float64]Verdict)
	for _, l := range script {
		at := time.Duration(l.at * float64(time.Second))
		if l.rpm >= 0 {
			e.Speed(at, l.rpm)
		}
		if l.mixture {
			e.Mixture(at)
		}
		if l.lean {
			e.Lean(at)
		}
		if l.volts > 0 {
			e.Volts(at, l.volts)
		}
		if v := e.Decide(at); v != Nothing {
			verdicts[l.at] = v
		}
	}
	return verdicts
}

func every(from, to, step float64, l line) (out []line) {
	for t := from; t <= to+1e-9; t += step {
		l.at = t
		out = append(out, l)
	}
	return out
}

func join(parts ...[]line) (all []line) {
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

func TestEngine(t *testing.T) {
	var (
		standing = line{rpm: 0}
		turning  = line{rpm: 800}
		nothing  = line{rpm: -1}
		gas      = line{rpm: -1, mixture: true}
		air      = line{rpm: -1, lean: true}
		charging = line{rpm: -1, volts: 14.1}
		resting  = line{rpm: -1, volts: 12.6}
		minute   = EngineOptions{Bridge: time.Minute}
	)
	for _, row := range []struct {
		name   string
		o      EngineOptions
		script []line
		want   map[float64]Verdict
	}{
		{"key on, start, drive, stop", EngineOptions{},
			join(every(0, 4, 1, standing), every(5, 60, 1, turning), every(61, 90, 1, standing)),
			map[float64]Verdict{5: Begin, 71: End}},
		{"a stall shorter than the pause is one drive", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 28, 1, standing), every(29, 40, 1, turning), every(41, 60, 1, standing)),
			map[float64]Verdict{1: Begin, 51: End}},
		{"a shorter pause, as configured", EngineOptions{StopAfter: 2 * time.Second},
			join(every(1, 20, 1, turning), every(21, 28, 1, standing), every(29, 30, 1, turning)),
			map[float64]Verdict{1: Begin, 23: End, 29: Begin}},
		{"parked with a silent bus and a controller in plain air: nothing", EngineOptions{},
			every(0, 100, 1, nothing), map[float64]Verdict{}},
		{"no adapter, the mixture alone begins and ends it", EngineOptions{},
			join(every(0, 4, 1, nothing), every(5, 60, 0.5, gas), every(61, 150, 1, nothing)),
			map[float64]Verdict{10: Begin, 71: End}},
		{"no adapter, a long fuel cut downhill is no stop", EngineOptions{StopAfter: 2 * time.Second},
			join(every(0, 4, 1, nothing), every(5, 60, 0.5, gas), every(61, 105, 1, air), every(106, 120, 0.5, gas)),
			map[float64]Verdict{10: Begin}},
		{"no adapter, the sensor stays in plain air: longer than any fuel cut is the end", EngineOptions{},
			join(every(0, 4, 1, nothing), every(5, 60, 0.5, gas), every(61, 200, 1, air)),
			map[float64]Verdict{10: Begin, 121: End}},
		{"the car is silent, the sensor is in plain air and the battery rests: it was switched off", minute,
			join(every(1, 20, 1, turning), every(21, 60, 0.5, gas), every(60.5, 140, 0.5, line{rpm: -1, lean: true, volts: 12.6})),
			map[float64]Verdict{1: Begin, 70.5: Pause, 120: End}},
		{"the car and the controller are switched off, and on again too late", minute,
			join(every(1, 60, 0.5, line{rpm: 800, mixture: true}), every(61, 154, 1, nothing), every(155, 160, 1, turning)),
			map[float64]Verdict{1: Begin, 71: Pause, 120: End, 155: Begin}},
		{"one stray mixture reading is no drive", EngineOptions{},
			join(every(0, 29, 1, nothing), []line{{at: 30, rpm: -1, mixture: true}}, every(31, 60, 1, nothing)),
			map[float64]Verdict{}},
		{"the adapter hangs in mid-drive: the mixture carries it on", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 60, 0.5, gas), every(61, 130, 1, nothing)),
			map[float64]Verdict{1: Begin, 71: End}},
		{"the adapter hangs and there is no wideband: it ends", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 60, 1, nothing)),
			map[float64]Verdict{1: Begin, 31: End}},
		{"a hole in the answers longer than the pause is no stop", EngineOptions{StopAfter: 2 * time.Second},
			join(every(1, 20, 1, turning), every(21, 27, 1, nothing), every(28, 40, 1, turning)),
			map[float64]Verdict{1: Begin}},
		{"engine off, the sensor still smells exhaust gas: the car's word counts", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 60, 1, line{rpm: 0, mixture: true})),
			map[float64]Verdict{1: Begin, 31: End}},
		{"a stall is bridged", minute,
			join(every(1, 20, 1, turning), every(21, 40, 1, standing), every(41, 60, 1, turning), every(61, 130, 1, standing)),
			map[float64]Verdict{1: Begin, 31: Pause, 41: Resume, 71: Pause, 120: End}},
		{"a fuel stop with the ignition off is bridged", minute,
			join(every(1, 20, 1, turning), every(21, 60, 1, nothing), every(61, 70, 1, turning)),
			map[float64]Verdict{1: Begin, 31: Pause, 61: Resume}},
		{"a stop longer than the bridge is two drives", minute,
			join(every(1, 20, 1, turning), every(21, 100, 1, standing), every(101, 110, 1, turning)),
			map[float64]Verdict{1: Begin, 31: Pause, 80: End, 101: Begin}},
		{"one stray mixture reading while paused is no start", minute,
			join(every(1, 20, 1, turning), every(21, 50, 1, nothing), []line{{at: 51, rpm: -1, mixture: true}}, every(52, 90, 1, nothing)),
			map[float64]Verdict{1: Begin, 31: Pause, 80: End}},
		{"a bridge no longer than a stop's own time is none", EngineOptions{Bridge: 10 * time.Second},
			join(every(1, 20, 1, turning), every(21, 40, 1, standing)),
			map[float64]Verdict{1: Begin, 31: End}},
		{"no adapter, a charging voltage begins and ends it", EngineOptions{},
			join(every(0, 20, 1, resting), every(21, 60, 1, charging), every(61, 140, 1, resting)),
			map[float64]Verdict{26: Begin, 121: End}},
		{"a voltage that blips is no drive", EngineOptions{},
			join(every(0, 20, 1, resting), every(21, 24, 1, charging), every(25, 60, 1, resting)),
			map[float64]Verdict{}},
		{"a charging voltage that is told every eight seconds", EngineOptions{},
			join(every(0, 16, 8, resting), every(24, 64, 8, charging)),
			map[float64]Verdict{32: Begin}},
		{"the car says that the engine stands: a charger is on the battery", EngineOptions{},
			every(1, 60, 1, line{rpm: 0, volts: 14.1}), map[float64]Verdict{}},
		{"a car that has told its engine's speed is charged at night", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 60, 1, standing), every(61, 100, 1, nothing), every(101, 160, 1, charging)),
			map[float64]Verdict{1: Begin, 31: End}},
		{"the car falls silent in mid-drive and the battery is charged", EngineOptions{},
			join(every(1, 20, 1, turning), every(21, 120, 1, charging), every(121, 200, 1, resting)),
			map[float64]Verdict{1: Begin, 181: End}},
		{"a voltage from before the car's last word carries nothing on", EngineOptions{},
			join(every(1, 20, 1, line{rpm: 800, volts: 14.1}), every(21, 60, 1, resting)),
			map[float64]Verdict{1: Begin, 31: End}},
		{"always", EngineOptions{Always: true}, every(0, 5, 1, nothing), map[float64]Verdict{0: Begin}},
	} {
		t.Run(row.name, func(t *testing.T) { assert.Equal(t, row.want, play(row.o, row.script)) })
	}
}

func TestStanding(t *testing.T) {
	e := NewEngine(0, EngineOptions{StopAfter: 10 * time.Second})
	at := func(s int) time.Duration { return time.Duration(s) * time.Second }
	e.Speed(at(1), 0)
	e.Decide(at(1))
	assert.False(t, e.Standing(), "no drive is on")
	e.Speed(at(2), 800)
	e.Decide(at(2))
	assert.False(t, e.Standing())
	e.Speed(at(5), 0)
	e.Decide(at(5))
	e.Speed(at(6), 0)
	e.Decide(at(6))
	assert.True(t, e.Standing())
	e.Speed(at(7), 700)
	e.Decide(at(7))
	assert.False(t, e.Standing(), "it was a stall")
	e.Speed(at(8), 0)
	e.Decide(at(8))
	e.Speed(at(18), 0)
	assert.Equal(t, End, e.Decide(at(18)))
	assert.False(t, e.Standing(), "the drive is over")
}
