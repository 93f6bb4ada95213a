package iio

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Attributes are what the kernel says of a channel, put right where its driver is known to say it wrongly.
type Attributes struct {
	device, channel string
	name, label     string
	scale, offset   float64
	period          time.Duration
	low, high       int32 // the lowest and the highest code; both 0 if unknown
	notes           []string
}

// Scale is what one code is worth at the converter's pin, in millivolts.
func (a *Attributes) Scale() float64 { return a.scale }

// Offset is what is added to a code before scaling, in codes.
func (a *Attributes) Offset() float64 { return a.offset }

// Period is the time one conversion takes, by the rate that was configured or the sampling frequency that the driver tells; 0
// if it is not known, or if the converter converts when it is asked.
func (a *Attributes) Period() time.Duration { return a.period }

// Name is what the driver calls the converter. All parts of a family may have one name, and a few drivers give the bus address.
func (a *Attributes) Name() string { return a.name }

// Label is the name that the device tree gives the channel, or else the device; empty if none.
func (a *Attributes) Label() string { return a.label }

// Range is the lowest and the highest code that the converter can give: at either, the input may be anywhere beyond. It is not ok
// where neither the kernel nor the part's name tells how many bits there are.
func (a *Attributes) Range() (low, high int32, ok bool) { return a.low, a.high, a.high > a.low }

// Notes say in a sentence each what was not taken as the kernel gives it, and why.
func (a *Attributes) Notes() []string { return slices.Clone(a.notes) }

// find looks at the device and the channel's name, and reads everything but a code.
func (a *Attributes) find(o Options) error {
	info, err := os.Stat(a.device)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return a.fail(ErrNoDevice, "there is no converter at %s: check the wiring, the overlay and the driver, and list what there is with: ls -d /sys/bus/iio/devices/iio:device*", a.device)
	case err != nil:
		return a.fail(err, "the converter at %s cannot be looked at: %v", a.device, reason(err))
	case !info.IsDir():
		return a.fail(ErrNoDevice, "%s is no directory: a converter's is like /sys/bus/iio/devices/iio:device0", a.device)
	}
	if !channelName.MatchString(a.channel) {
		return a.fail(ErrNoChannel, "%q is no channel's name: it is like voltage0, or voltage0-voltage1 for a differential pair; %s has %s", a.channel, a.device, a.channels())
	}
	if _, err := os.Stat(a.rawPath()); errors.Is(err, fs.ErrNotExist) {
		return a.fail(ErrNoChannel, "the converter at %s has no channel %s; it has %s", a.device, a.channel, a.channels())
	}
	a.readNames()
	if err := a.readScale(o); err != nil {
		return err
	}
	offset, err := a.attribute("offset")
	if err != nil && !errors.Is(err, fs.ErrNotExist) { // absent stands for 0
		return a.fail(err, "the offset of %s at %s cannot be read: %v", a.channel, a.device, err)
	}
	a.offset = offset
	// A rate that cannot be read is no reason not to log: the age of a code is then unknown.
	rate, err := a.attribute("sampling_frequency")
	if err != nil || rate <= 0 {
		rate = 0
	}
	if o.ConversionRate > 0 && !math.IsInf(o.ConversionRate, 0) {
		rate = o.ConversionRate
	}
	if rate > 0 {
		a.period = time.Duration(float64(time.Second) / rate)
	}
	a.readRange()
	return nil
}

func (a *Attributes) readNames() {
	if a.name = a.text("name"); a.name == "" {
		a.name = filepath.Base(a.device)
	}
	if a.label = a.text("in_" + a.channel + "_label"); a.label == "" {
		a.label = a.text("label")
	}
}

func (a *Attributes) readScale(o Options) error {
	if o.ScaleMillivolts != 0 {
		if !(o.ScaleMillivolts > 0) || math.IsInf(o.ScaleMillivolts, 0) {
			return a.fail(ErrNoScale, "a scale of %v mV a code is no positive number", o.ScaleMillivolts)
		}
		a.scale = o.ScaleMillivolts
		return nil
	}
	scale, err := a.attribute("scale")
	// Some drivers list the attribute and fail to read it, for want of a reference voltage: EINVAL.
	if err == nil && scale <= 0 {
		err = fmt.Errorf("it is %v", scale)
	}
	if err != nil {
		return a.fail(ErrNoScale, "the kernel does not know the scale of %s at %s (%v): give the scale in mV a code, which is the reference voltage in mV divided by the number of codes", a.channel, a.device, err)
	}
	a.scale = a.inMillivolts(scale)
	return nil
}

// text is an attribute's text without blanks around it; empty if it cannot be read.
func (a *Attributes) text(file string) string {
	b, err := os.ReadFile(a.path(file))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}

// channelName matches "voltage0" and "voltage0-voltage1", and takes the numbers apart from the type.
var channelName = regexp.MustCompile(`^[a-z]+[0-9]*(-[a-z]+[0-9]+)?$`)

var digits = regexp.MustCompile(`[0-9]+`)

// shared is the name under which a channel shares attributes with others of its type: voltage for voltage0, voltage-voltage
// for voltage0-voltage1.
func (a *Attributes) shared() string { return digits.ReplaceAllString(a.channel, "") }

// attribute reads a number from the first of the channel's own file, the one shared by its type, and the device's. Which of them
// exists is the driver's choice. It wraps fs.ErrNotExist if none does.
func (a *Attributes) attribute(what string) (float64, error) {
	files := []string{"in_" + a.channel + "_" + what, "in_" + a.shared() + "_" + what, what}
	if what != "sampling_frequency" {
		files = files[:2]
	}
	for _, file := range files {
		text, err := os.ReadFile(a.path(file))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return 0, fmt.Errorf("reading %s: %w", file, reason(err))
		}
		number, err := parseNumber(string(text))
		if err != nil {
			return 0, fmt.Errorf("%s: %w", file, err)
		}
		return number, nil
	}
	return 0, fmt.Errorf("there is no %s: %w", strings.Join(files, " or "), fs.ErrNotExist)
}

// channels lists the device's channels for an error's text.
func (a *Attributes) channels() string {
	entries, err := os.ReadDir(a.device)
	if err != nil {
		return fmt.Sprintf("channels that cannot be listed: %v", reason(err))
	}
	var names []string
	for _, e := range entries {
		if name, ok := strings.CutPrefix(e.Name(), "in_"); ok {
			if name, ok = strings.CutSuffix(name, "_raw"); ok {
				names = append(names, name)
			}
		}
	}
	if len(names) == 0 {
		return "none at all, so it is no analog converter"
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

func (a *Attributes) rawPath() string { return a.path("in_" + a.channel + "_raw") }

func (a *Attributes) path(file string) string { return filepath.Join(a.device, file) }

func (a *Attributes) fail(err error, format string, args ...any) error {
	return &Error{Device: a.device, Channel: a.channel, Text: fmt.Sprintf(format, args...), Err: err}
}

// reason drops the path that a system error repeats.
func reason(err error) error {
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		return path.Err
	}
	return err
}

// parseNumber reads the decimal number that a scale, offset or frequency attribute holds.
func parseNumber(text string) (float64, error) {
	text = strings.TrimSpace(text)
	number, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(number) || math.IsInf(number, 0) {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return number, nil
}
