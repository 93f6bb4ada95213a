// Package calibration is what a person does in the driveway to learn what the wiring loses: it measures known levels at an input, keeps them
// until they are applied, and says in plain words what they tell. It opens nothing; the converter comes from its caller.
package calibration

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"underdash/analog"
	"underdash/analog/mixture"
	"underdash/daemon/config"
)

// Converter is an open analog input. One that knows its codes has a method Range too.
type Converter interface {
	analog.Converter
	Scale() float64  // millivolts a code
	Offset() float64 // codes, added before scaling
}

// Seen is what was seen of an input for a while. Volts are at the plug.
type Seen struct {
	Volts    float64       `json:"volts"`     // mean, without spikes
	Sigma    float64       `json:"sigma"`     // standard uncertainty of the mean, volts
	Noise    float64       `json:"noise"`     // standard deviation of the readings, volts
	Low      float64       `json:"low"`       // lowest and highest reading
	High     float64       `json:"high"`      //
	Drift    float64       `json:"drift"`     // the last quarter's mean less the first's
	Readings int           `json:"readings"`  //
	Spikes   int           `json:"spikes"`    // readings that stood alone and were left out
	Step     float64       `json:"step"`      // volts a code
	Length   time.Duration `json:"length_ns"` //

	clipped float64 // share of the readings at the converter's highest code
	wild    float64 // share that lie far from both neighbours' middle
	single  bool    // single-ended: volts below 0 cannot be read
	same    bool    // all readings are one and the same code
}

// wildVolts is what a driven input's readings lie from the middle of their neighbours at the most, save at single edges.
const wildVolts = 0.25

// blocks is how many parts of a measurement tell how well its mean is known: readings that follow each other are not independent.
const blocks = 10

// ErrFew is wrapped by what Measure says of an input that gave too few readings to tell anything but their mean.
var ErrFew = errors.New("too few to tell anything")

// Measure watches an input for a while. Errors: the converter's, ctx's, or one that wraps ErrFew; with that come the readings' number, mean
// and ends, as far as there were any.
func Measure(ctx context.Context, c Converter, a config.Analog, length time.Duration) (Seen, error) {
	in := mixture.Input{ScaleMillivolts: c.Scale(), OffsetCodes: c.Offset(), Divider: a.PlugPerPin()}
	top := int32(math.MaxInt32)
	if r, ok := c.(interface {
		Range() (low, high int32, ok bool)
	}); ok {
		if _, high, ok := r.Range(); ok {
			top = high
		}
	}
	var volts []float64
	var spikes []bool
	find := mixture.Spikes{Floor: 0.02}
	clipped, same := 0, true
	var first int32
	ctx, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	err := analog.From(c, a.Rate).Run(ctx, func(r analog.Reading) {
		v := in.Volts(r.Code)
		if len(volts) == 0 {
			first = r.Code
		} else {
			spikes[len(volts)-1] = find.Next(v)
		}
		if len(volts) == 0 {
			find.Next(v)
		}
		volts, spikes = append(volts, v), append(spikes, false)
		if r.Code >= top {
			clipped++
		}
		same = same && r.Code == first
	})
	if !errors.Is(err, context.DeadlineExceeded) {
		return Seen{}, err
	}
	if len(volts) == 0 {
		return Seen{}, fmt.Errorf("%s gave no reading in %v, %w: measure for longer, or raise its rate", a.Name, length, ErrFew)
	}
	s := summed(volts, spikes)
	if len(volts) < blocks {
		return Seen{Volts: s.Volts, Low: s.Low, High: s.High, Readings: s.Readings, Length: length},
			fmt.Errorf("%s gave %d readings in %v, %w: measure for longer, or raise its rate", a.Name, len(volts), length, ErrFew)
	}
	s.Length, s.Step = length, math.Abs(in.Volts(1)-in.Volts(0))
	s.clipped, s.same, s.single = float64(clipped)/float64(len(volts)), same, !strings.Contains(a.Channel, "-")
	return s, nil
}

func summed(volts []float64, spikes []bool) Seen {
	s := Seen{Readings: len(volts), Low: volts[0], High: volts[0]}
	var all mixture.Mean
	var parts [blocks]mixture.Mean
	wild := 0
	for i, v := range volts {
		if i >= 2 && math.Abs(volts[i-1]-(volts[i-2]+v)/2) > wildVolts {
			wild++
		}
		s.Low, s.High = min(s.Low, v), max(s.High, v)
		if spikes[i] {
			s.Spikes++
			continue
		}
		all.Add(0, 0, v)
		parts[i*blocks/len(volts)].Add(0, 0, v)
	}
	s.wild = float64(wild) / float64(len(volts))
	s.Volts, s.Noise = all.Value(), all.Sigma()
	var means, head, tail mixture.Mean
	for i := range parts {
		if parts[i].N() == 0 {
			continue
		}
		means.Add(0, 0, parts[i].Value())
		switch {
		case i < blocks/4+1:
			head.Add(0, 0, parts[i].Value())
		case i >= blocks-blocks/4-1:
			tail.Add(0, 0, parts[i].Value())
		}
	}
	s.Drift = tail.Value() - head.Value()
	s.Sigma = means.Sigma() / math.Sqrt(float64(max(1, means.N())))
	return s
}

// Condition is what the readings say of the plug, whatever the level is.
type Condition uint8

// The conditions of a plug.
const (
	Held     Condition = iota // something holds it at a level
	AtGround                  // at 0 V: not plugged in, shorted, or a controller without power
	AtTop                     // at the end of the converter's range
	Floating                  // nothing drives it
	Moving                    // something drives it, and does not hold a level
)

// What tells the conditions (common practice, no source).
const (
	groundVolts = 0.050 // so close to 0 V is 0 V
	floatNoise  = 0.20  // standard deviation of an input that nothing drives
	heldNoise   = 0.030 // and of one that holds a level, at the most
	heldDrift   = 0.020 // what a held level moves while it is measured
)

// Condition tells. At 0 V an input is well if that is the level which was set.
func (s Seen) Condition(zero bool) Condition {
	switch {
	case s.clipped > 0.5:
		return AtTop
	case s.wild > 0.1, s.Noise > floatNoise:
		return Floating
	case math.Abs(s.Volts) < groundVolts && !zero:
		return AtGround
	case s.Noise > heldNoise, math.Abs(s.Drift) > heldDrift:
		return Moving
	}
	return Held
}

// PlugError says that an input does not show a level that somebody holds.
type PlugError struct {
	Input string
	Seen  Seen
	Condition
}

func (e *PlugError) Error() string {
	switch e.Condition {
	case AtGround:
		return fmt.Sprintf("%s is not plugged in, as it seems: it lies at 0 V (%.3f V seen) and nothing drives it. Put the plug in and switch the controller on. A broken wire or one shorted to ground looks the same", e.Input, e.Seen.Volts)
	case AtTop:
		return fmt.Sprintf("%s is at the end of the converter's range (%.3f V at the plug): the signal wire touches a supply, or the range or the divider is too small for the output", e.Input, e.Seen.Volts)
	case Floating:
		return fmt.Sprintf("%s is not plugged in, as it seems: it floats between %.2f and %.2f V and nothing drives it. Put the plug in; a broken wire or a missing ground looks the same", e.Input, e.Seen.Low, e.Seen.High)
	}
	return fmt.Sprintf("%s does not hold a level: it moved by %.3f V in %v, with %.3f V of noise. Have the controller hold the level, engine off, and measure again", e.Input, math.Abs(e.Seen.Drift), e.Seen.Length, e.Seen.Noise)
}

// Driven tells whether something drives the input of a controller, whatever it puts out; else the error is a *PlugError. 0 V says
// nothing of it where that is what the controller puts out while it heats its sensor, or in free air.
func (s Seen) Driven(a config.Analog) error {
	zero := a.Warmup != nil && math.Abs(*a.Warmup) < groundVolts || math.Abs(a.Levels().Top()) < groundVolts
	if c := s.Condition(zero); c != Held && c != Moving {
		return &PlugError{a.Name, s, c}
	}
	return nil
}

// Remark says what is there, where no level was named.
func (s Seen) Remark(a config.Analog) string {
	if err := s.Driven(a); err != nil {
		return err.Error() + "."
	}
	if math.Abs(s.Volts) < groundVolts {
		doing := "heats its sensor"
		if a.Warmup == nil || math.Abs(*a.Warmup) >= groundVolts {
			doing = "has its sensor in free air"
		}
		return joined(fmt.Sprintf("%s lies at 0 V: the controller %s, or the plug is out, or the controller is off; they look the same.", a.Name, doing), s.Warning())
	}
	text := fmt.Sprintf("By the scale that is λ %.3f, if the controller is warm.", a.Law().Lambda(s.Volts))
	if a.Warmup != nil && math.Abs(s.Volts-*a.Warmup) < 0.5 {
		text += fmt.Sprintf(" It may be the warm-up level of %.3f V: measure it with --level warmup while it lasts.", *a.Warmup)
	}
	return joined(text, s.Warning())
}

// Warning is what gives to think about a measurement; empty if nothing does.
func (s Seen) Warning() string {
	switch {
	case s.same && s.Step < 0.0005:
		return "Every reading was one and the same code. If it stays so when the level changes, the converter hangs."
	case s.Spikes > s.Readings/100:
		return fmt.Sprintf("%d readings stood alone and were left out: the wire picks up spikes, from the ignition most likely.", s.Spikes)
	}
	return ""
}

func joined(texts ...string) string {
	return strings.TrimSpace(strings.Join(texts, " "))
}
