package analogtest

import (
	"context"
	"math"
	"math/rand/v2"
	"time"
)

// ADC turns volts at a plug into codes: a divider, and a converter of so many bits.
type ADC struct {
	ScaleMillivolts float64 // millivolt a code; default 0.125
	Bits            int     // default 16
	Unsigned        bool    // codes 0 to 2^Bits-1 instead of two's complement
	Divider         float64 // volts at the plug per volt at the converter; default 1
	OffsetCodes     float64 // what a reader adds before scaling, so it is taken off here
}

func (a ADC) withDefaults() ADC {
	if a.ScaleMillivolts == 0 {
		a.ScaleMillivolts = 0.125
	}
	if a.Bits == 0 {
		a.Bits = 16
	}
	if a.Divider == 0 {
		a.Divider = 1
	}
	return a
}

// Code is the nearest code for volts at the plug, clipped at the converter's ends. Not a number gives the low end.
func (a ADC) Code(volts float64) int32 {
	a = a.withDefaults()
	low, high := -math.Exp2(float64(a.Bits-1)), math.Exp2(float64(a.Bits-1))-1
	if a.Unsigned {
		low, high = 0, math.Exp2(float64(a.Bits))-1
	}
	code := math.Round(volts/a.Divider*1000/a.ScaleMillivolts - a.OffsetCodes)
	if math.IsNaN(code) {
		return int32(low)
	}
	return int32(min(high, max(low, code)))
}

// Waveform is volts over the time since it began.
type Waveform func(t time.Duration) float64

// Constant is always the same voltage.
func Constant(volts float64) Waveform { return func(time.Duration) float64 { return volts } }

// Sine swings around mean by amplitude, frequency times a second.
func Sine(mean, amplitude, frequency float64) Waveform {
	return func(t time.Duration) float64 { return mean + amplitude*math.Sin(2*math.Pi*frequency*t.Seconds()) }
}

// Ramp goes from one voltage to another in the given time and stays there.
func Ramp(from, to float64, length time.Duration) Waveform {
	return func(t time.Duration) float64 {
		return from + (to-from)*min(1, max(0, t.Seconds()/length.Seconds()))
	}
}

// Step is before until at, and after from then on, its time starting there.
func Step(at time.Duration, before, after Waveform) Waveform {
	return func(t time.Duration) float64 {
		if t < at {
			return before(t)
		}
		return after(t - at)
	}
}

// Noisy adds normally distributed noise of the given standard deviation. The noise is a function of time and seed:
// asking twice for one instant gives one answer.
func Noisy(w Waveform, sigma float64, seed uint64) Waveform {
	return func(t time.Duration) float64 {
		return w(t) + sigma*rand.New(rand.NewPCG(seed, uint64(t))).NormFloat64()
	}
}

// Play sets a channel from a waveform, so many times a second, until ctx ends; then it returns nil. A late refresh
// is skipped and never made up for. While the device is taken away it goes on without effect.
func (d *Device) Play(ctx context.Context, channel string, a ADC, w Waveform, rate float64) error {
	return d.Refresh(ctx, rate, func(t time.Duration) map[string]int32 {
		return map[string]int32{channel: a.Code(w(t))}
	})
}
