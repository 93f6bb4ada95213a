// Package iio reads one channel of a converter behind Linux's Industrial I/O interface, through its files in sysfs: the
// driver's integer code, and the scale and offset with which the kernel says what a code is worth. It knows millivolts at the
// converter's pin and nothing of what is wired to it. Any directory with the same files will do.
//
// File names and rules follow the kernel's Documentation/ABI/testing/sysfs-bus-iio: mV = (raw + offset) × scale.
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
	"sync"
	"time"

	"underdash/analog"
)

// What a caller decides by when Open fails; the error's text says more.
var (
	// ErrNoDevice: there is no such directory, so the converter or its driver is missing. It may come.
	ErrNoDevice = errors.New("no such converter")
	// ErrNoChannel: the converter has no such channel. The text lists those it has.
	ErrNoChannel = errors.New("no such channel")
	// ErrNoScale: the kernel does not know what a code is worth, and no override was given.
	ErrNoScale = errors.New("no scale")
)

// Error says what was wrong with which converter. Its text is one sentence and ends with what would be right.
type Error struct {
	Device, Channel string
	Text            string
	Err             error // one of the sentinels, or the system's error
}

func (e *Error) Error() string { return e.Text }

// Unwrap gives the sentinel or the system's error.
func (e *Error) Unwrap() error { return e.Err }

// Options for Open. The zero value takes everything from the kernel.
type Options struct {
	// ScaleMillivolts is what one code is worth at the pin, in mV, instead of what the kernel says. It is needed for converters
	// whose driver does not know its reference voltage, and for the few drivers that give volts. 0: the kernel's.
	ScaleMillivolts float64
}

// Channel is one open channel.
type Channel struct {
	device, channel string
	name            string
	scale, offset   float64
	period          time.Duration

	mu       sync.Mutex // guards file and buffer: a read and a Close must not meet on a descriptor's number
	file     *os.File   // nil once closed
	fd       uintptr    // file's, asked for once: asking costs a system call
	followed time.Time  // when the path was last looked at
	buffer   [32]byte
}

var _ analog.Converter = (*Channel)(nil)

// channelName matches "voltage0" and "voltage0-voltage1", and takes the numbers apart from the type.
var channelName = regexp.MustCompile(`^[a-z]+[0-9]*(-[a-z]+[0-9]+)?$`)

// Open opens a channel such as "voltage0", or "voltage0-voltage1" for a differential pair, of a device's directory such as
// "/sys/bus/iio/devices/iio:device0". It needs no privilege. It fails with an *Error that wraps ErrNoDevice, ErrNoChannel,
// ErrNoScale or the system's error.
func Open(device, channel string, o Options) (*Channel, error) {
	c := &Channel{device: device, channel: channel, scale: o.ScaleMillivolts}
	info, err := os.Stat(device)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, c.fail(ErrNoDevice, "there is no converter at %s: check the wiring, the overlay and the driver, and list what there is with: ls -d /sys/bus/iio/devices/iio:device*", device)
	case err != nil:
		return nil, c.fail(err, "the converter at %s cannot be looked at: %v", device, reason(err))
	case !info.IsDir():
		return nil, c.fail(ErrNoDevice, "%s is no directory: a converter's is like /sys/bus/iio/devices/iio:device0", device)
	}
	if !channelName.MatchString(channel) {
		return nil, c.fail(ErrNoChannel, "%q is no channel's name: it is like voltage0, or voltage0-voltage1 for a differential pair; %s has %s", channel, device, c.channels())
	}
	path := c.path("in_" + channel + "_raw")
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return nil, c.fail(ErrNoChannel, "the converter at %s has no channel %s; it has %s", device, channel, c.channels())
	}
	if err := c.readAttributes(); err != nil {
		return nil, err
	}
	if c.file, err = os.Open(path); err != nil {
		return nil, c.fail(err, "%s cannot be opened: %v", path, reason(err))
	}
	c.fd = c.file.Fd()
	return c, nil
}

func (c *Channel) readAttributes() error {
	if !(c.scale > 0) || math.IsInf(c.scale, 0) {
		if c.scale != 0 {
			return c.fail(ErrNoScale, "a scale of %v mV a code is no positive number", c.scale)
		}
		scale, err := c.attribute("scale")
		// Some drivers list the attribute and fail to read it, for want of a reference voltage: EINVAL.
		if err == nil && scale == 0 {
			err = errors.New("it is 0")
		}
		if err != nil {
			return c.fail(ErrNoScale, "the kernel does not know the scale of %s at %s (%v): give the scale in mV a code, which is the reference voltage in mV divided by the number of codes", c.channel, c.device, err)
		}
		c.scale = scale
	}
	offset, err := c.attribute("offset")
	if err != nil && !errors.Is(err, fs.ErrNotExist) { // absent stands for 0
		return c.fail(err, "the offset of %s at %s cannot be read: %v", c.channel, c.device, err)
	}
	c.offset = offset
	// A rate that cannot be read is no reason not to log: the age of a code is then unknown.
	if rate, err := c.attribute("sampling_frequency"); err == nil && rate > 0 {
		c.period = time.Duration(float64(time.Second) / rate)
	}
	name, err := os.ReadFile(c.path("name"))
	if c.name = strings.TrimSpace(string(name)); err != nil || c.name == "" {
		c.name = filepath.Base(c.device)
	}
	return nil
}

var digits = regexp.MustCompile(`[0-9]+`)

// attribute reads a number from the first of the channel's own file, the one shared by its type, and the device's. Which of them
// exists is the driver's choice. It wraps fs.ErrNotExist if none does.
func (c *Channel) attribute(what string) (float64, error) {
	shared := digits.ReplaceAllString(c.channel, "") // voltage0-voltage1 shares voltage-voltage
	files := []string{"in_" + c.channel + "_" + what, "in_" + shared + "_" + what, what}
	if what != "sampling_frequency" {
		files = files[:2]
	}
	for _, file := range files {
		text, err := os.ReadFile(c.path(file))
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
func (c *Channel) channels() string {
	entries, err := os.ReadDir(c.device)
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

func (c *Channel) path(file string) string { return filepath.Join(c.device, file) }

func (c *Channel) fail(err error, format string, args ...any) error {
	return &Error{Device: c.device, Channel: c.channel, Text: fmt.Sprintf(format, args...), Err: err}
}

// reason drops the path that a system error repeats.
func reason(err error) error {
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		return path.Err
	}
	return err
}

// Read gives the newest code. It costs one system call on Unix, on a descriptor that stays open: the driver converts, or looks
// up its last conversion, at every read from offset 0. How long it blocks is the driver's affair, up to a few hundred
// milliseconds on slow converters. After Close the error wraps analog.ErrClosed; a converter that was taken away gives the
// system's error (ENODEV, EIO), and Open must be tried again.
func (c *Channel) Read() (int32, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return 0, c.fail(analog.ErrClosed, "%s of %s was closed", c.channel, c.device)
	}
	c.follow()
	n, err := c.settled()
	if err != nil {
		return 0, c.fail(err, "%s of %s cannot be read: %v", c.channel, c.device, reason(err))
	}
	code, ok := parseCode(c.buffer[:n])
	if !ok {
		return 0, c.fail(errNoCode, "%s of %s gave %q, which is no whole number", c.channel, c.device, c.buffer[:n])
	}
	return code, nil
}

var errNoCode = errors.New("not a code")

// Period is the time one conversion takes, by the sampling frequency that the driver tells; 0 if it tells none.
func (c *Channel) Period() time.Duration { return c.period }

// Scale is what one code is worth at the converter's pin, in millivolts.
func (c *Channel) Scale() float64 { return c.scale }

// Offset is what is added to a code before scaling, in codes.
func (c *Channel) Offset() float64 { return c.offset }

// Name is what the driver calls the converter. All parts of a family may have one name.
func (c *Channel) Name() string { return c.name }

// Close ends all reading. It waits for a read under way; closing twice is allowed.
func (c *Channel) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.file == nil {
		return nil
	}
	err := c.file.Close()
	c.file = nil
	return err
}

// parseCode reads the decimal integer that a raw attribute holds, with blanks around it allowed. It is strconv.ParseInt for 32 bits
// without the copy.
func parseCode(text []byte) (int32, bool) {
	i, end := 0, len(text)
	for i < end && blank(text[i]) {
		i++
	}
	for end > i && blank(text[end-1]) {
		end--
	}
	negative := i < end && text[i] == '-'
	if i < end && (negative || text[i] == '+') {
		i++
	}
	if i == end {
		return 0, false
	}
	var n int64
	for ; i < end; i++ {
		d := text[i] - '0'
		if d > 9 || n > math.MaxInt32 {
			return 0, false
		}
		n = 10*n + int64(d)
	}
	if negative {
		n = -n
	}
	return int32(n), n >= math.MinInt32 && n <= math.MaxInt32
}

func blank(b byte) bool { return b == ' ' || b == '\n' || b == '\t' || b == '\r' || b == 0 }

// parseNumber reads the decimal number that a scale, offset or frequency attribute holds.
func parseNumber(text string) (float64, error) {
	text = strings.TrimSpace(text)
	number, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(number) || math.IsInf(number, 0) {
		return 0, fmt.Errorf("%q is no number", text)
	}
	return number, nil
}
