package config

import (
	"fmt"
	"log/slog"
	"math"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"underdash/analog/mixture"
)

// Parse reads and checks a configuration's text; name stands for the file in errors. Every fault found is in the *Error.
func Parse(name string, text []byte) (Config, error) {
	r, root := newReader(name, text)
	c := Default()
	if root != nil {
		c = r.config(root)
	}
	if len(r.faults) > 0 {
		return Config{}, r.err()
	}
	return c, nil
}

func (r *reader) config(root *table) Config {
	c := Default()
	adapter := root.table("adapter")
	obd := root.table("obd")
	inputs := root.tables("analog")
	fuel := root.table("fuel")
	store := root.table("store")
	session := root.table("session")
	vehicle := root.table("vehicle")
	network := root.table("network")
	log := root.table("log")
	root.finish()

	c.Adapter = readAdapter(adapter, c.Adapter)
	c.OBD = readOBD(obd)
	if obd.present && !root.has("adapter") {
		root.fault("obd", "there is no [adapter] to ask for these: give its address, or leave [obd] out")
	}
	for _, t := range inputs {
		c.Analog = append(c.Analog, readAnalog(t))
	}
	differentNames(inputs, c.Analog)
	oneBuffer(inputs, c.Analog)
	// A section of the wrong type was there all the same, and has its fault.
	if !root.has("adapter") && !root.has("analog") {
		root.fault("", "there is nothing to log: give an [adapter] with its address, or at least one [[analog]] input")
	}
	c.Fuel = readFuel(fuel, c.Fuel)

	c.Store.Path = store.text("path", c.Store.Path)
	c.Store.Flush = store.duration("flush", 100*time.Millisecond, 10*time.Minute, c.Store.Flush)
	c.Store.Limit = store.bytes("limit", 10e6, 1e15, c.Store.Limit)
	c.Store.Floor = store.bytes("floor", 0, 1e15, c.Store.Floor)
	c.Store.Tick = store.duration("resolution", time.Microsecond, 10*time.Millisecond, c.Store.Tick)
	if store.ok("resolution") && c.Store.Tick%time.Microsecond != 0 {
		store.fault("resolution", "%v is no whole number of microseconds: give it like \"1us\" or \"100us\"", c.Store.Tick)
	}
	store.finish()

	c.Session.StopAfter = session.duration("stop_after", time.Second, time.Hour, c.Session.StopAfter)
	c.Session.Bridge = session.duration("bridge", 0, 24*time.Hour, c.Session.Bridge)
	if b := c.Session.Bridge; session.ok("bridge") && b > 0 && b < c.Session.StopAfter {
		session.fault("bridge", "%v is over before the engine counts as stopped, after %v: give a longer time, or \"0s\" to end the drive at every stop",
			short(b), short(c.Session.StopAfter))
	}
	c.Session.Begin = session.choice("begin", c.Session.Begin, WhenEngineRuns, Always)
	session.finish()

	c.Vehicle.Name = vehicle.text("name", "")
	vehicle.finish()

	c.Network = readNetwork(network, c.Network)

	c.Log.Level = readLogLevel(log, c.Log.Level)
	return c
}

func readAdapter(t *table, a Adapter) Adapter {
	a.Address = t.text("address", "")
	a.Baud = t.whole("baud", 1200, 4_000_000, a.Baud)
	a.RaiseBaud = t.whole("raise_baud", 57600, 500_000, a.RaiseBaud)
	if t.ok("raise_baud") && !slices.Contains(raisedRates, a.RaiseBaud) {
		t.fault("raise_baud", "%d is no rate that adapters are raised to: give 57600, 115200, 230400 or 500000", a.RaiseBaud)
	}
	a.SleepAfter = t.duration("sleep_after", 0, 24*time.Hour, a.SleepAfter)
	if t.present {
		t.require("address", `"/dev/ttyUSB0" or "tcp://192.168.0.10:35000"`)
	}
	if a.Address != "" {
		if wrong := wrongAddress(a.Address); wrong != "" {
			t.fault("address", "%s", wrong)
		}
	}
	t.finish()
	return a
}

// raisedRates are those that an adapter's clock divides into well enough and a driver knows.
var raisedRates = []int{57600, 115200, 230400, 500_000}

// wrongAddress says what is wrong with an adapter's address; empty if nothing is.
func wrongAddress(address string) string {
	scheme, rest, network := strings.Cut(address, "://")
	switch {
	case network && scheme != "tcp":
		return fmt.Sprintf("%q begins with %s://, but an adapter is reached over tcp:// or by a device's path", address, scheme)
	case network:
		host, port, err := net.SplitHostPort(rest)
		if n, e := strconv.Atoi(port); err != nil || host == "" || e != nil || n < 1 || n > 65535 {
			return fmt.Sprintf("%q lacks a host or a port of 1 to 65535: write it like tcp://192.168.0.10:35000", address)
		}
	case strings.HasPrefix(address, "/"), isCOM(address):
	default:
		if _, port, err := net.SplitHostPort(address); err == nil && port != "" {
			return fmt.Sprintf("%q is no device's path: for a network adapter write tcp://%s", address, address)
		}
		return fmt.Sprintf("%q is no device's whole path: write it like /dev/%s", address, address)
	}
	return ""
}

func isCOM(address string) bool {
	number, ok := strings.CutPrefix(strings.ToUpper(address), "COM")
	return ok && number != "" && strings.Trim(number, "0123456789") == ""
}

// The volts that a sender or a controller can put out.
const minVolts, maxVolts = mixture.MinVolts, mixture.MaxVolts

func readAnalog(t *table) Analog {
	a := defaultAnalog()
	a.Name = t.text("name", "")
	t.require("name", `"wideband"`)
	if wrong := wrongName(a.Name); wrong != "" && t.ok("name") {
		t.fault("name", "%s", wrong)
	}
	a.Kind = t.choice("kind", a.Kind, Wideband, Linear)
	a.Device = t.text("device", "")
	t.require("device", `"/sys/bus/iio/devices/iio:device0"`)
	a.Channel = t.text("channel", "")
	t.require("channel", `"voltage0"`)
	a.Divider = t.number("divider", 0.01, 100, a.Divider)
	readOhms(t, &a)
	a.Rate = t.number("rate", 1, 1000, a.Rate)
	a.Mode = t.choice("mode", a.Mode, Auto, Poll, Buffer)
	a.Trigger = t.text("trigger", "")
	if a.Mode == Poll && t.has("trigger") {
		t.fault("trigger", `a converter that is polled needs no trigger: leave it out, or set mode = "buffer"`)
	}
	a.Scale = t.number("scale", 1e-6, 1e4, 0)
	a.Conversions = t.number("conversions", 0.1, 1e6, 0)
	a.Unit = t.text("unit", "")
	if a.Kind == Linear {
		t.require("unit", `"kPa"`)
	} else if t.has("unit") {
		t.fault("unit", `a wideband input is always in λ: leave unit out, or set kind = "linear"`)
	}
	readLaw(t, &a)
	readLevels(t, &a)
	readCorrection(t, &a)
	readMark(t, &a)
	t.finish()
	return a
}

func readLaw(t *table, a *Analog) {
	quantity, lo, hi, low, high := "lambda", mixture.MinLambda, mixture.MaxLambda, "0.65", "1.35"
	if a.Kind == Linear {
		quantity, lo, hi, low, high = "value", -1e9, 1e9, "0", "1000"
	}
	usable := true
	point := func(key string, volts, value string) (p Point) {
		t.require(key, fmt.Sprintf("{ volts = %s, %s = %s }", volts, quantity, value))
		sub := t.table(key)
		p.Volts = sub.number("volts", minVolts, maxVolts, math.NaN())
		p.Value = sub.number(quantity, lo, hi, math.NaN())
		if sub.present {
			sub.require("volts", volts)
			sub.require(quantity, value)
		}
		if v, ok := sub.raw(quantity); ok && a.Kind == Wideband && v > mixture.MaxLambda && v < 40 {
			sub.hint(quantity, "if it is an AFR, divide it by the stoichiometric ratio of the controller's scale, mostly 14.7")
		}
		sub.finish()
		usable = usable && !math.IsNaN(p.Volts) && !math.IsNaN(p.Value)
		return p
	}
	a.Low = point("low", "0.5", low)
	a.High = point("high", "4.5", high)
	if !usable {
		return
	}
	if a.Low.Volts == a.High.Volts {
		t.fault("high.volts", "both points have %v volts: the line needs two different ones", a.High.Volts)
	}
	if a.Low.Value == a.High.Value {
		t.fault("high."+quantity, "both points have the %s %v: the line needs two different ones", quantity, a.High.Value)
	}
}

// readLevels reads what only a wideband controller has.
func readLevels(t *table, a *Analog) {
	if a.Kind == Linear {
		for _, key := range []string{"warmup", "fault", "top", "bank"} {
			if t.has(key) {
				t.fault(key, `only a wideband controller has this: leave %s out, or set kind = "wideband"`, key)
				t.get(key)
			}
		}
		a.Bank = 0
		return
	}
	a.Warmup = readLevel(t, "warmup", "5.0")
	a.Fault = readLevel(t, "fault", "0.0")
	a.Top = readLevel(t, "top", "4.9")
	a.Bank = t.whole("bank", 1, 2, a.Bank)
	switch l := a.Levels(); {
	case a.Fault == nil:
	case a.Warmup != nil && *a.Fault == *a.Warmup:
		t.fault("fault", "the fault's level is the warm-up level, so neither can be told from the other: leave fault out")
	case l.Law.Low.Volts != l.Law.High.Volts && !l.TellsFault():
		t.fault("fault", "at %v V the output follows the mixture, so that neither can be told from the other: leave fault out", *a.Fault)
	}
}

// readLevel reads a fixed level of a controller's output, nil if it is not given.
func readLevel(t *table, key, example string) *float64 {
	sub := t.table(key)
	volts := sub.number("volts", minVolts, maxVolts, math.NaN())
	if sub.present {
		sub.require("volts", example)
	}
	sub.finish()
	if math.IsNaN(volts) {
		return nil
	}
	return &volts
}

func readCorrection(t *table, a *Analog) {
	sub := t.table("correction")
	known := sub.number("known", minVolts, maxVolts, math.NaN())
	seen := sub.number("seen", minVolts, maxVolts, math.NaN())
	if sub.present {
		sub.require("known", "5.0")
		sub.require("seen", "4.85")
	}
	sub.finish()
	if math.IsNaN(known) || math.IsNaN(seen) {
		return
	}
	a.Correction = &Correction{known, seen}
	if _, err := mixture.OneLevel(known, seen); err != nil {
		t.fault("correction", "%v", err)
	}
}

// reserved are characters that mean something in the files and addresses that carry an input's name.
const reserved = `[](){}<>"',;:=/\|*?#%&$`

// wrongName says what is wrong with an input's name; empty if nothing is.
func wrongName(name string) string {
	const right = "use letters, digits, blanks, - and _"
	switch {
	case strings.TrimSpace(name) != name:
		return fmt.Sprintf("%q begins or ends with a blank: leave it out", name)
	case len(name) > 40:
		return fmt.Sprintf("a name of %d bytes is too long: use at most 40", len(name))
	case strings.EqualFold(name, "time"), strings.EqualFold(name, "time bound"):
		return fmt.Sprintf("%q is a column that every export has: choose another name", name)
	}
	for _, c := range name {
		if strings.ContainsRune(reserved, c) || !unicode.IsPrint(c) {
			return fmt.Sprintf("%q contains %q, which is reserved: %s", name, c, right)
		}
	}
	return ""
}

func differentNames(inputs []*table, read []Analog) {
	for i, a := range read {
		for _, earlier := range read[:i] {
			if a.Name != "" && strings.EqualFold(a.Name, earlier.Name) {
				inputs[i].fault("name", "another input is named %q: give each its own name", earlier.Name)
				break
			}
		}
	}
}

// oneBuffer refuses several inputs of one converter where one of them reads its buffer: nobody else can read it then.
func oneBuffer(inputs []*table, read []Analog) {
	for i, a := range read {
		for k, other := range read {
			if i != k && a.Mode == Buffer && a.Device != "" && a.Device == other.Device {
				inputs[i].fault("mode", "%q is on the same converter, whose buffer serves one input: set mode = \"poll\" for both", other.Name)
				break
			}
		}
	}
}

func readLogLevel(t *table, fallback slog.Level) slog.Level {
	levels := map[string]slog.Level{"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}
	word := t.choice("level", "", "debug", "info", "warn", "error")
	t.finish()
	if level, ok := levels[word]; ok {
		return level
	}
	return fallback
}
