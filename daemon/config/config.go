// Package config reads the daemon's configuration file, completes it with defaults and checks it whole, before anything is
// opened. It touches no hardware: that a path exists is found out by whoever opens it, since a converter or an adapter may come
// later than the daemon.
package config

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"strings"
	"time"

	"underdash/analog/mixture"
)

// Config is a complete configuration.
type Config struct {
	Adapter Adapter
	OBD     OBD
	Analog  []Analog // in the file's order; names differ
	Fuel    Fuel
	Store   Store
	Session Session
	Vehicle Vehicle
	Network Network
	Log     Log
}

// Adapter is the ELM327-class adapter.
type Adapter struct {
	Address string // a serial device's path, or "tcp://host:port"; empty: there is no adapter, analog inputs alone are logged
	Baud    int    // of a serial device, bits per second

	RaiseBaud  int           // the rate to which a serial line is raised once the adapter answers; 0: as it is
	SleepAfter time.Duration // the adapter is put to low power when the car has been parked for so long; 0: never
}

// OBD says what the engine computer is asked for, by class, as the standard's acronyms (RPM, MAP, LAMBDA11), no parameter
// twice. If all three are empty, that is decided by what the car supports; else Normal or another class holds RPM, since
// a drive's begin and end are told by it.
type OBD struct {
	Fast   []string // as often as the link allows
	Normal []string // twice a second
	Slow   []string // every two seconds
}

// Kinds of analog input.
const (
	Wideband = "wideband" // a wideband controller's output, which is λ
	Linear   = "linear"   // any sender whose value is a straight line of its volts
)

// How a converter is read.
const (
	Auto   = "auto"   // through its buffer if that runs already, else by polling
	Poll   = "poll"   // by reading the channel's file
	Buffer = "buffer" // through its buffer, with the kernel's timestamps, or not at all
)

// Analog is one analog input.
type Analog struct {
	Name        string      // names its channels; letters, digits, blanks and a few more
	Kind        string      // Wideband or Linear
	Unit        string      // of a Linear input's value; empty for Wideband
	Device      string      // the converter's IIO directory
	Channel     string      // "voltage0", or "voltage0-voltage1" for a differential pair
	Divider     float64     // volts at the plug per volt at the converter, more than 0, without any load
	Ohms        Ohms        // what loads the sender and the divider; the zero value: nothing does
	Low, High   Point       // the line through these two points is the input's law
	Warmup      *float64    // volts that a wideband controller puts out while it heats; nil: it has no such level
	Fault       *float64    // volts by which it reports a fault; nil: no such level is known
	Top         *float64    // the highest volts it puts out, as in a fuel cut; nil: its output ends where the law does
	Bank        int         // of the engine, 1 or 2, whose exhaust a wideband sits in
	Rate        float64     // readings per second
	Mode        string      // Auto, Poll or Buffer
	Trigger     string      // of the converter's buffer; empty: the one that is set
	Scale       float64     // mV at the converter per code instead of what the kernel says; 0: the kernel's
	Conversions float64     // conversions a second instead of what the kernel says; 0: the kernel's
	Correction  *Correction // nil: learn line loss from the warm-up level, or correct nothing
	Mark        *Mark       // nil: it is no switch
}

// Point is one point of an input's law.
type Point struct {
	Volts float64 // at the sender's output
	Value float64 // λ, or the value in the input's unit
}

// Correction is a known level at the sender's output and how it was seen at the plug, both in volts.
type Correction struct {
	Known, Seen float64
}

// Levels is what analog/mixture needs to know of a Wideband input.
func (a Analog) Levels() mixture.Levels {
	l := mixture.Levels{Law: a.Law()}
	if a.Warmup != nil {
		l.WarmupVolts, l.HasWarmup = *a.Warmup, true
	}
	if a.Fault != nil {
		l.FaultVolts, l.HasFault = *a.Fault, true
	}
	if a.Top != nil {
		l.TopVolts, l.HasTop = *a.Top, true
	}
	return l
}

// Law is the input's line. A Linear input's value stands in it where λ stands.
func (a Analog) Law() mixture.Law {
	return mixture.Law{Low: mixture.Point{Volts: a.Low.Volts, Lambda: a.Low.Value}, High: mixture.Point{Volts: a.High.Volts, Lambda: a.High.Value}}
}

// Chain is the configured correction; not ok if there is none.
func (a Analog) Chain() (c mixture.Chain, ok bool) {
	if a.Correction == nil {
		return mixture.Chain{}, false
	}
	c, err := mixture.OneLevel(a.Correction.Known, a.Correction.Seen)
	return c, err == nil
}

// Fuel is what λ is multiplied with where AFR is shown.
type Fuel struct {
	Name           string      // one that analog/mixture knows, or any with Stoichiometric or Composition
	Stoichiometric float64     // mass of air per mass of fuel; 0: by the composition or the name
	Composition    Composition // the zero value: by the name
	Flex           bool        // follow the share of ethanol that the engine computer tells; until it does, this fuel holds
}

// Composition is a fuel CxHyOz, in atoms of a molecule or in ratios of atoms.
type Composition struct {
	Carbon, Hydrogen, Oxygen float64
}

// Mixture is the fuel with its stoichiometric ratio. It fails only for a Fuel that was not checked by Parse.
func (f Fuel) Mixture() (mixture.Fuel, error) {
	if f.Stoichiometric != 0 {
		return mixture.Custom(f.Name, f.Stoichiometric)
	}
	if c := f.Composition; c != (Composition{}) {
		return mixture.Composed(f.Name, c.Carbon, c.Hydrogen, c.Oxygen)
	}
	return mixture.FuelByName(f.Name)
}

// Store says where sessions are kept.
type Store struct {
	Path  string        // a directory, one file a session; the daemon makes it
	Flush time.Duration // readings are written out so often: a power cut costs at most so much
	Limit int64         // most bytes that all sessions may take; the oldest go when it is reached
	Floor int64         // fewest bytes that stay free on the file system for others
	Tick  time.Duration // the resolution that instants are stored with
}

// When a session begins.
const (
	WhenEngineRuns = "engine" // with the engine, and ends when it stops
	Always         = "always" // with the daemon, and ends with it
)

// Session says when a drive begins and ends.
type Session struct {
	StopAfter time.Duration // the engine has stood for so long: it counts as stopped, and nothing is recorded
	Bridge    time.Duration // a stop that lasts no longer than this is no end of the drive; 0: every stop is one
	Begin     string        // WhenEngineRuns or Always
}

// Vehicle is written into every session.
type Vehicle struct {
	Name string // free text; empty: none
}

// Log says how much the daemon tells.
type Log struct {
	Level slog.Level
}

// DefaultPath is where the installed service has its configuration.
const DefaultPath = "/etc/underdash/underdash.toml"

// Default is the configuration with every key at its default. It is not complete: it has neither adapter nor analog input.
func Default() Config {
	return Config{
		Adapter: Adapter{Baud: 38400, SleepAfter: 30 * time.Minute},
		Fuel:    Fuel{Name: "E10"},
		Store:   Store{Path: "/var/lib/underdash/sessions", Flush: 5 * time.Second, Limit: 2e9, Floor: 200e6, Tick: 100 * time.Microsecond},
		Session: Session{StopAfter: 10 * time.Second, Bridge: time.Minute, Begin: WhenEngineRuns},
		Network: Network{Listen: ":8443"},
		Log:     Log{Level: slog.LevelInfo},
	}
}

// defaultAnalog is an analog input with every key that has one at its default.
func defaultAnalog() Analog {
	return Analog{Kind: Wideband, Divider: 1, Rate: 100, Mode: Auto, Bank: 1}
}

// Fault is one thing that is wrong in a configuration file.
type Fault struct {
	File         string
	Line, Column int    // both from 1
	Key          string // dotted, as "analog.low.volts"; empty where the file is no TOML
	Text         string // what is wrong, and what would be right
}

func (f Fault) String() string {
	key := f.Key
	if key != "" {
		key += ": "
	}
	return fmt.Sprintf("%s:%d:%d: %s%s", f.File, f.Line, f.Column, key, f.Text)
}

// Error is everything that is wrong in a configuration file, in the file's order, one line each.
type Error struct {
	Faults []Fault // at least one
}

func (e *Error) Error() string {
	lines := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

// Load reads and checks a file. It fails with an *Error for what is in the file, and wraps fs.ErrNotExist and the like for a file
// that cannot be read.
func Load(path string) (Config, error) {
	text, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Config{}, fmt.Errorf("there is no configuration at %s: copy the sample there, or name another file with --config (%w)", path, fs.ErrNotExist)
	case err != nil:
		return Config{}, fmt.Errorf("the configuration cannot be read: %w", err)
	}
	return Parse(path, text)
}
