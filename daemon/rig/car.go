// Package rig is the virtual car: one deterministic engine model behind a virtual adapter and a virtual converter,
// with the truth about it readable afterwards. It knows physics, a wideband controller and how an engine computer
// writes its numbers; it knows nothing of how they are read.
//
// The car is invented: a 2.0 l naturally aspirated petrol four with one bank, a wide-range sensor of its own before
// the catalyst and an aftermarket wideband beside it. A drive is a cold start, a warm-up squeezed into the drive's
// length, idle, and then as often as it fits: acceleration, cruise, a full-throttle pull, fuel cut, coasting, idle;
// at the end the engine stops, and the ignition goes off a little later.
package rig

import (
	"context"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"time"

	"underdash/analog/analogtest"
	"underdash/obd/obdtest"
)

// Options choose a drive and the faults of the measuring chain. The zero value is a drive of 60 s with a chain
// that has no faults at all; Demo returns one that is worth correcting.
type Options struct {
	Length time.Duration // of the whole drive, key on to the end; default 60 s, at least 10 s
	Seed   uint64        // two cars of the same options and seed are the same
	Baud   int           // of the adapter, default 38400

	LineLoss     float64 // part of the controller's voltage lost on its way, 0.03 is 3 %
	GroundOffset float64 // volts added at the plug by the controller's ground
	HeaterOffset float64 // volts more while the controller heats its sensor, whose current flows in that ground
	NoiseVolts   float64 // standard deviation of the noise at the plug, volts
	Bits         int     // of the converter: 16, the default, with a sign, or 12 without one
	Plug         Plug    // what became of the wire

	OutputError    float64       // the controller's output is off its law by up to so many volts, differently at every level
	ElementError   float64       // part by which the wideband's element exaggerates the distance from λ = 1; negative: understates
	OwnSensorError float64       // the same of the engine computer's own sensor
	ClosedLoopBias float64       // λ that the closed loop really holds, less what it commands: its own sensor is off by that
	PipeLitres     float64       // exhaust up to the sensors; default 2.6
	SensorLag      time.Duration // of the wideband, first order; default 70 ms. State.Delay leaves it out
	Leak           float64       // air that leaks in at the wideband, part of the exhaust's mass while idling

	Held      bool    // the controller holds HeldVolts, whatever the car does, as for a calibration in the driveway
	HeldVolts float64 // volts at the controller's output; WarmupVolts is what it puts out while it heats its sensor

	// The trouble codes of the engine's computer, "P0143"; what is no code is left out. With a confirmed one the lamp
	// is on, and a freeze frame of the drive's middle belongs to the first.
	Codes, Pending, Permanent []string

	// Again is how long after its start the same drive is driven once more, and so on; the car is parked in between. 0 is
	// a drive that is driven once, a time shorter than Length is Length.
	Again time.Duration

	// Charging is the supply's voltage while the engine runs, default 14.1. A worn alternator gives less, and one that the
	// car steers may give hardly more than the resting battery (common practice, no source).
	Charging float64

	// StrictBaud makes the adapter at a tty hear and say noise unless the tty has its rate. A pseudo terminal by itself
	// has none.
	StrictBaud bool

	RefreshRate float64 // how often the converter's files are refreshed, a second; default as often as it converts
	StorePath   string  // [store] path of the configuration text; left out when empty
}

// Demo returns the chain of an ordinary installation: 3 % lost in the line, 5 mV of ground offset, 3 mV of noise.
func Demo(length time.Duration, seed uint64) Options {
	return Options{Length: length, Seed: seed, LineLoss: 0.03, GroundOffset: 0.005, NoiseVolts: 0.003}
}

func (o Options) withDefaults() Options {
	if o.Length <= 0 {
		o.Length = time.Minute
	}
	o.Length = max(o.Length, 10*time.Second)
	if o.Baud <= 0 {
		o.Baud = 38400
	}
	if o.Again > 0 {
		o.Again = max(o.Again, o.Length)
	}
	if o.Charging <= 0 {
		o.Charging = 14.1
	}
	if o.Bits != 12 {
		o.Bits = 16
	}
	if o.RefreshRate <= 0 {
		o.RefreshRate = conversionRate
	}
	return o
}

// Plug is what became of the controller's wire at the logger's plug.
type Plug uint8

// The fates of a plug.
const (
	Plugged  Plug = iota
	Open          // not plugged in: the divider pulls the converter's pin to ground
	Floating      // not plugged in, and nothing pulls the pin anywhere
	Frozen        // plugged in, but the driver delivers its first conversion for ever
	AtSupply      // the signal wire touches a supply: the converter is at its end
)

// Channel is the converter's input that the wideband is wired to.
const Channel = "voltage0"

// Car is one drive, simulated from end to end, and what was told about it so far.
type Car struct {
	o       Options
	drive   drive
	adapter *obdtest.Adapter

	start sync.Once
	begun chan struct{} // closed when began is set
	began time.Time

	mu   sync.Mutex // guards sent
	sent []Sent
}

// New simulates the whole drive. It touches nothing, and the drive's clock stands still until Begin.
func New(o Options) *Car {
	c := &Car{o: o.withDefaults(), begun: make(chan struct{})}
	c.drive = simulate(c.o)
	draw := rand.New(rand.NewPCG(c.o.Seed, 0xECD))
	between := func(low, high time.Duration) func() time.Duration {
		return func() time.Duration { return low + time.Duration(draw.Float64()*float64(high-low)) }
	}
	c.adapter = obdtest.New(obdtest.Options{
		Baud: c.o.Baud,
		ECUs: []obdtest.ECU{
			{Address: engineAddress, Delay: between(3*time.Millisecond, 9*time.Millisecond), Sampled: draw.Float64,
				Answer: func(request []byte, at time.Time) []byte { return c.answer(engine, request, at) }},
			{Address: gearboxAddress, Delay: between(5*time.Millisecond, 14*time.Millisecond), Sampled: draw.Float64,
				Answer: func(request []byte, at time.Time) []byte { return c.answer(gearbox, request, at) }},
		},
		Padding: 0xAA,
		Volts:   func(at time.Time) float64 { return c.at(at).SupplyVolts },
		Asleep: func(at time.Time) bool {
			return c.drive.folded(c.elapsed(at)) > c.drive.ignitionOff+afterRun
		},
	})
	return c
}

// afterRun is how long the car's bus stays awake after the ignition went off.
const afterRun = 5 * time.Second

// Begin starts the drive's clock and returns when it was started. Adapter's first request, RunADC and Start do so
// by themselves; only the first call has an effect.
func (c *Car) Begin() time.Time {
	c.start.Do(func() {
		c.began = time.Now()
		close(c.begun)
	})
	return c.began
}

// Adapter is the adapter in the car's diagnostic socket, for dialogues without a tty (its Dial) and for faults.
func (c *Car) Adapter() *obdtest.Adapter { return c.adapter }

// elapsed is the drive's time at an instant.
func (c *Car) elapsed(at time.Time) time.Duration { return at.Sub(c.Begin()) }

func (c *Car) at(at time.Time) State { return c.drive.at(c.elapsed(at)) }

// Lay lays out the converter's directory under dir and returns it.
func (c *Car) Lay(dir string) (*analogtest.Device, error) {
	return analogtest.Lay(filepath.Join(dir, "iio:device0"), analogtest.Options{
		Name:     "virtual-adc",
		Channels: []analogtest.Channel{{Name: Channel, ScaleMillivolts: converter(c.o.Bits).ScaleMillivolts, Rate: conversionRate, Type: scanType(c.o.Bits)}},
	})
}

// RunADC lays out the converter under dir and refreshes it until ctx ends; then it returns nil. Where something must
// be opened before the first refresh, Lay and Refresh do the same in two steps.
func (c *Car) RunADC(ctx context.Context, dir string) error {
	device, err := c.Lay(dir)
	if err != nil {
		return err
	}
	defer device.Close()
	return c.Refresh(ctx, device)
}

// Refresh keeps a converter laid out by Lay up to date until ctx ends; then it returns nil.
func (c *Car) Refresh(ctx context.Context, device *analogtest.Device) error {
	c.Begin()
	return device.Refresh(ctx, c.o.RefreshRate, func(time.Duration) map[string]int32 {
		return map[string]int32{Channel: c.drive.code(c.elapsed(time.Now()))}
	})
}
