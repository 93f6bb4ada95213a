// Package analogtest is a virtual analog input: a directory laid out like a Linux IIO device, and what is needed to
// fill it (converters, waveforms). It knows the attributes of the kernel's ABI (Documentation/ABI/testing/
// sysfs-bus-iio) and nothing of what the volts mean.
//
// A file of sysfs shows a new value to a reader that holds it open. So here a value is overwritten in place, with
// the same length and in one write, and never by renaming a new file into place.
package analogtest

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
)

// Channel is one input of a virtual device.
type Channel struct {
	Name string // as in the attributes' names: "voltage0", "voltage0-voltage1"; default "voltage<position>"
	// ScaleMillivolts is millivolt a code, after the offset was added; default 0.125 (16 bit over ±4.096 V).
	ScaleMillivolts float64
	// SharedScale puts the scale into the file that all channels of the type share (in_voltage_scale).
	SharedScale bool
	// OffsetCodes is added to the code before scaling; the attribute is left out when it is 0.
	OffsetCodes float64
	// Rate is conversions a second; default 860. Negative leaves the attribute out.
	Rate float64
	// Type is how a code stands in a buffer, such as le:s16/16>>0: it tells how many bits the converter has. Empty leaves the
	// attribute out, as drivers without a buffer do.
	Type string
}

func (c Channel) withDefaults(position int) Channel {
	if c.Name == "" {
		c.Name = "voltage" + strconv.Itoa(position)
	}
	if c.ScaleMillivolts == 0 {
		c.ScaleMillivolts = 0.125
	}
	if c.Rate == 0 {
		c.Rate = 860
	}
	return c
}

// Options describe a device. The zero value has one channel, voltage0.
type Options struct {
	Name     string // the chip's name, default "virtual-adc"
	Channels []Channel
}

// Device is a laid-out virtual device. Its methods may be called from any goroutine.
type Device struct {
	path     string
	name     string
	channels []Channel

	mu     sync.Mutex // guards what follows
	raw    map[string]*os.File
	codes  map[string]int32
	frozen map[string]bool
	gone   bool
}

// ErrGone is returned by Set and Play while the device is taken away.
var ErrGone = errors.New("the virtual device was taken away")

// Lay makes the directory (a path that ends like the kernel's, iio:device0, where the file system allows it) and
// its attributes, every channel at code 0.
func Lay(path string, o Options) (*Device, error) {
	if o.Name == "" {
		o.Name = "virtual-adc"
	}
	if len(o.Channels) == 0 {
		o.Channels = []Channel{{}}
	}
	d := &Device{path: path, name: o.Name, raw: map[string]*os.File{}, codes: map[string]int32{}, frozen: map[string]bool{}}
	for i, c := range o.Channels {
		c = c.withDefaults(i)
		d.channels = append(d.channels, c)
		d.codes[c.Name] = 0
	}
	if err := d.lay(); err != nil {
		return nil, errors.Join(fmt.Errorf("laying out a virtual device: %w", err), d.closeFiles())
	}
	return d, nil
}

// Path is the device's directory.
func (d *Device) Path() string { return d.path }

func (d *Device) lay() error {
	if err := os.MkdirAll(d.path, 0o755); err != nil {
		return err
	}
	if err := d.write("name", d.name); err != nil {
		return err
	}
	for _, c := range d.channels {
		prefix := "in_" + c.Name + "_"
		scale := prefix + "scale"
		if c.SharedScale {
			scale = sharedScale(c.Name)
		}
		err := d.write(scale, strconv.FormatFloat(c.ScaleMillivolts, 'f', 9, 64)) // nine digits, as the core prints
		if err == nil && c.OffsetCodes != 0 {
			err = d.write(prefix+"offset", strconv.FormatFloat(c.OffsetCodes, 'f', -1, 64))
		}
		if err == nil && c.Rate > 0 {
			err = d.write(prefix+"sampling_frequency", strconv.FormatFloat(c.Rate, 'f', -1, 64))
		}
		if err == nil && c.Type != "" {
			err = errors.Join(os.MkdirAll(filepath.Join(d.path, "scan_elements"), 0o755), d.write("scan_elements/"+prefix+"type", c.Type))
		}
		if err == nil {
			err = d.openRaw(c.Name)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// sharedScale is the type's own attribute: in_voltage_scale for voltage0, in_voltage-voltage_scale for a pair.
func sharedScale(channel string) string {
	kind := strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' {
			return -1
		}
		return r
	}, channel)
	return "in_" + kind + "_scale"
}

func (d *Device) write(attribute, text string) error {
	return os.WriteFile(filepath.Join(d.path, attribute), []byte(text+"\n"), 0o644)
}

func (d *Device) rawPath(channel string) string { return filepath.Join(d.path, "in_"+channel+"_raw") }

func (d *Device) openRaw(channel string) error {
	f, err := os.OpenFile(d.rawPath(channel), os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	d.raw[channel] = f
	return put(f, d.codes[channel])
}

// put overwrites the value: eight bytes at the file's start, seven for the number and a newline.
func put(f *os.File, code int32) error {
	_, err := f.WriteAt(fmt.Appendf(make([]byte, 0, 16), "%7d\n", code), 0)
	return err
}

// Set gives a channel a new code, -999999 to 9999999. On a frozen or broken channel it has no effect that shows.
func (d *Device) Set(channel string, code int32) error {
	if code < -999999 || code > 9999999 {
		return fmt.Errorf("virtual channel %s: code %d does not fit seven places", channel, code)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, known := d.codes[channel]; !known {
		return fmt.Errorf("virtual device has no channel %q", channel)
	}
	if d.gone {
		return ErrGone
	}
	d.codes[channel] = code
	f := d.raw[channel]
	if f == nil || d.frozen[channel] {
		return nil
	}
	return put(f, code)
}

// Freeze holds a channel's file at its present value, or lets it go on.
func (d *Device) Freeze(channel string, frozen bool) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.frozen[channel] = frozen
	if f := d.raw[channel]; f != nil && !frozen {
		return put(f, d.codes[channel])
	}
	return nil
}

// Break makes reading a channel fail: a descriptor held open finds an empty file, and the path is a directory.
func (d *Device) Break(channel string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.drop(channel); err != nil {
		return err
	}
	return os.Mkdir(d.rawPath(channel), 0o755)
}

// Mend undoes Break.
func (d *Device) Mend(channel string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := os.Remove(d.rawPath(channel)); err != nil {
		return err
	}
	return d.openRaw(channel)
}

// DropScale removes a channel's scale, as drivers do that do not know their reference.
func (d *Device) DropScale(channel string) error {
	own := filepath.Join(d.path, "in_"+channel+"_scale")
	if err := os.Remove(own); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return os.Remove(filepath.Join(d.path, sharedScale(channel)))
}

// Vanish takes the device away, as pulling a converter out does: descriptors held open find empty files.
func (d *Device) Vanish() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.gone = true
	for _, c := range d.channels {
		if err := d.drop(c.Name); err != nil {
			return err
		}
	}
	return os.RemoveAll(d.path)
}

// Return brings a vanished device back.
func (d *Device) Return() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if !d.gone {
		return nil
	}
	d.gone = false
	return d.lay()
}

// drop empties and removes a channel's file.
func (d *Device) drop(channel string) error {
	f := d.raw[channel]
	if f == nil {
		return nil
	}
	d.raw[channel] = nil
	err := errors.Join(f.Truncate(0), f.Close())
	return errors.Join(err, os.Remove(d.rawPath(channel)))
}

// Close lets go of the files and leaves the directory as it is.
func (d *Device) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closeFiles()
}

func (d *Device) closeFiles() (err error) {
	for name, f := range d.raw {
		if f != nil {
			err = errors.Join(err, f.Close())
			d.raw[name] = nil
		}
	}
	return err
}
