package calibration

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// LevelHelp says in words what ParseLevel takes.
const LevelHelp = "warmup, top, ground, a number of volts, bench=VOLTS or lambda=NUMBER"

// TopKind is the kind of the highest level that the controller puts out, held in the driveway with its sensor in free air. A drive
// shows the same level in a fuel cut, and calls it that.
const TopKind mixture.Kind = "top of the output"

// ParseLevel reads how a person names a level that the controller's output is held at: "warmup" and "top" are the levels of the
// configuration; "ground" and "0" are the signal wire put to the controller's own signal ground; a number of volts or "lambda=1.0"
// was set in the controller's own software; "bench=2.5" comes from a supply in its place and was measured with a meter.
func ParseLevel(text string, a config.Analog) (mixture.Level, error) {
	key, value, valued := strings.Cut(strings.ToLower(strings.TrimSpace(text)), "=")
	number := func(s string) (float64, error) {
		v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return 0, fmt.Errorf("%q is no level: give %s", text, LevelHelp)
		}
		return v, nil
	}
	l := a.Levels()
	switch {
	case key == "warmup" && !valued:
		if !l.HasWarmup {
			return mixture.Level{}, fmt.Errorf("the configuration gives %s no warm-up level: add it there, as warmup = { volts = 5.0 }", a.Name)
		}
		// The heater's current flows in the controller's ground meanwhile.
		return mixture.Level{Kind: mixture.WarmupKind, Known: l.WarmupVolts, Tolerance: math.Hypot(mixture.OutputTolerance, mixture.HeaterTolerance)}, nil
	case key == "top" && !valued:
		return mixture.Level{Kind: TopKind, Known: l.Top(), Tolerance: mixture.OutputTolerance}, nil
	case key == "ground" && !valued:
		return mixture.Level{Kind: mixture.GroundKind}, nil
	case key == "lambda" && valued:
		lambda, err := number(value)
		if err != nil {
			return mixture.Level{}, err
		}
		low, high := min(l.Law.Low.Lambda, l.Law.High.Lambda), max(l.Law.Low.Lambda, l.Law.High.Lambda)
		if lambda < low || lambda > high {
			return mixture.Level{}, fmt.Errorf("λ %v is not on the scale of %s, which goes from %v to %v", lambda, a.Name, low, high)
		}
		return mixture.Level{Kind: mixture.SetKind, Known: l.Law.Volts(lambda), Tolerance: mixture.OutputTolerance}, nil
	}
	kind, tolerance := mixture.SetKind, mixture.OutputTolerance
	if valued {
		if key != "bench" {
			return mixture.Level{}, fmt.Errorf("%q is no level: give %s", text, LevelHelp)
		}
		key, kind, tolerance = value, mixture.BenchKind, mixture.BenchTolerance
	}
	volts, err := number(strings.TrimSuffix(key, "v"))
	if err != nil {
		return mixture.Level{}, err
	}
	if volts < mixture.MinVolts || volts > mixture.MaxVolts {
		return mixture.Level{}, fmt.Errorf("a level of %v V is outside %v to %v V", volts, mixture.MinVolts, mixture.MaxVolts)
	}
	if volts == 0 {
		return mixture.Level{Kind: mixture.GroundKind}, nil
	}
	return mixture.Level{Kind: kind, Known: volts, Tolerance: tolerance}, nil
}

// ErrLevel is wrapped by what Take says of a level that is none.
var ErrLevel = errors.New("not a known level")

// groundCodes is how many codes away from 0 an input that is held at 0 V must be seen, to be told from one that nothing drives and
// that a converter holds there itself: three, since a converter's own offset may be as much (a data sheet's ±3 codes).
const groundCodes = 3

// Take makes a known level of what was seen while it was held. It fails with a *PlugError if the input shows no held level, and with an
// error that wraps ErrLevel if what was seen cannot be that level.
func Take(level mixture.Level, s Seen, input string) (mixture.Level, error) {
	zero := math.Abs(level.Known) < groundVolts
	if c := s.Condition(zero); c != Held {
		return mixture.Level{}, &PlugError{input, s, c}
	}
	switch {
	case zero && s.single && s.Volts <= groundCodes*s.Step:
		return mixture.Level{}, levelError{fmt.Sprintf("%s was seen at %.4f V, where this converter cannot tell a ground that lies below the logger's, or a plug that is out, from a level of %.3f V: it reads nothing below 0 V. Measure a level above 0.5 V instead, or read it as a differential pair", input, s.Volts, level.Known)}
	case zero && math.Abs(s.Volts) <= groundCodes*s.Step:
		return mixture.Level{}, levelError{fmt.Sprintf("%s was seen at %.4f V, which is what a differential pair shows with its plug out, too. Measure a level above 0.5 V instead", input, s.Volts)}
	}
	if furthest := (1-mixture.MinGain)*math.Abs(level.Known) + mixture.MaxOffset; math.Abs(s.Volts-level.Known) > furthest {
		text := "the controller does not hold that level now"
		if level.Kind == mixture.WarmupKind {
			text = "the controller is not heating its sensor any more, which it does for some seconds after it was switched on"
		}
		return mixture.Level{}, levelError{fmt.Sprintf("%s was seen at %.3f V, and %.3f V is what it should be: neither a line loss nor a shifted ground explains so much. Either %s, or the wiring, the divider or the scale is not as configured", input, s.Volts, level.Known, text)}
	}
	level.Seen, level.Random = s.Volts, math.Hypot(s.Sigma, s.Step/math.Sqrt(12))
	return level, nil
}

// levelError is an ErrLevel with a sentence of its own.
type levelError struct{ text string }

func (e levelError) Error() string        { return e.text }
func (e levelError) Is(target error) bool { return target == ErrLevel }

// Stored is a level as it is kept.
func Stored(l mixture.Level, noise float64) store.Level {
	return store.Level{Kind: string(l.Kind), Known: l.Known, Seen: l.Seen, Sigma: noise, Random: l.Random, Tolerance: l.Tolerance, ClosedLoop: l.ClosedLoop}
}

// Known is a kept level again.
func Known(l store.Level) mixture.Level {
	return mixture.Level{Kind: mixture.Kind(l.Kind), Known: l.Known, Seen: l.Seen, Random: l.Random, Tolerance: l.Tolerance, ClosedLoop: l.ClosedLoop}
}

// LevelText is a level in words.
func LevelText(l store.Level) string {
	return fmt.Sprintf("%s of %.3f V seen as %.3f V", l.Kind, l.Known, l.Seen)
}

// Pending is a measured level that waits to be applied.
type Pending struct {
	Input      string    `json:"input"`
	Made       time.Time `json:"made"`
	PlugPerPin float64   `json:"plug_per_pin,omitempty"` // volts at the plug per volt at the converter by which it was seen; 0 if not known
	store.Level
}
