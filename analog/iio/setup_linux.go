package iio

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"
)

// clocks are the clocks of a buffer's timestamps that a reader can live with, the best first. The others are set by somebody (the
// default, realtime, and tai) or too coarse.
var clocks = []struct {
	name string
	id   int32
}{
	{"monotonic", unix.CLOCK_MONOTONIC},
	{"boottime", unix.CLOCK_BOOTTIME},
	{"monotonic_raw", unix.CLOCK_MONOTONIC_RAW},
}

// length is how many scans the kernel is asked to keep: seconds of them at any rate that is of use here.
const length = 1024

// wakeEvery is how many seconds of scans are waited for before the reader is woken.
const wakeEvery = 0.05

// setup is a device's buffer as its files in sysfs have it.
type setup struct {
	*Attributes
	elements string // folder of the scan's elements: scan_elements, or bufferN since Linux 5.11
	control  string // folder of enable, length and watermark
	undo     []func()
	enabled  bool // by us
}

// findBuffer looks for the folders and the device's node.
func (a *Attributes) findBuffer() (s *setup, node string, err error) {
	s = &setup{Attributes: a, elements: "scan_elements", control: "buffer"}
	if _, err := os.Stat(a.path(s.elements)); err != nil {
		s.elements, s.control = "buffer0", "buffer0"
	}
	if _, err := os.Stat(a.path(filepath.Join(s.elements, "in_"+a.channel+"_en"))); err != nil {
		return nil, "", a.fail(ErrNoBuffer, "the driver of the converter at %s has no buffer for %s: it can be polled only", a.device, a.channel)
	}
	for line := range strings.Lines(a.text("uevent")) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "DEVNAME="); ok {
			node = name
		}
	}
	if node == "" {
		return nil, "", a.fail(ErrNoBuffer, "the converter at %s has no node to read its buffer from: it can be polled only", a.device)
	}
	if !filepath.IsAbs(node) { // the kernel's are relative to /dev
		node = filepath.Join("/dev", node)
	}
	return s, node, nil
}

// ready tells whether the buffer runs already and delivers what is needed, as a rule for udev may have set it up.
func (s *setup) ready(trigger string) bool {
	_, known := s.clock()
	if trigger != "" && trigger != s.text("trigger/current_trigger") {
		return false
	}
	return s.text(s.control+"/enable") == "1" && s.on(s.channel) && s.on(timestamp) && known
}

func (s *setup) on(element string) bool {
	return s.text(s.elements+"/in_"+element+"_en") == "1"
}

// clock is the one that the timestamps are of.
func (s *setup) clock() (id int32, ok bool) {
	name := s.text("current_timestamp_clock")
	for _, c := range clocks {
		if c.name == name {
			return c.id, true
		}
	}
	return 0, false
}

// prepare sets the buffer up: elements, length, watermark, clock and trigger, and then starts it. Nothing may be changed while
// it runs.
func (s *setup) prepare(o Options) error {
	if s.text(s.elements+"/in_timestamp_en") == "" {
		return s.fail(ErrNoBuffer, "the driver of the converter at %s does not time what is in its buffer: it can be polled only", s.device)
	}
	if s.text(s.control+"/enable") == "1" {
		if err := s.set(s.control+"/enable", "0"); err != nil {
			return err
		}
	}
	entries, err := os.ReadDir(s.path(s.elements))
	if err != nil {
		return s.fail(err, "the buffer of the converter at %s cannot be looked at: %v", s.device, reason(err))
	}
	for _, e := range entries { // some drivers take one channel at a time only
		name, ok := strings.CutPrefix(strings.TrimSuffix(e.Name(), "_en"), "in_")
		if ok && strings.HasSuffix(e.Name(), "_en") && name != s.channel && name != timestamp && s.on(name) {
			if err := s.set(s.elements+"/"+e.Name(), "0"); err != nil {
				return err
			}
		}
	}
	steps := []struct{ file, value string }{
		{s.elements + "/in_" + s.channel + "_en", "1"},
		{s.elements + "/in_timestamp_en", "1"},
		{s.control + "/length", strconv.Itoa(length)},
		{s.control + "/watermark", strconv.Itoa(s.watermark(o.Rate))},
		{"current_timestamp_clock", s.bestClock()},
	}
	if o.Trigger != "" {
		steps = append(steps, struct{ file, value string }{"trigger/current_trigger", o.Trigger})
	}
	for _, step := range steps {
		if err := s.set(step.file, step.value); err != nil {
			return err
		}
	}
	if err := s.set(s.control+"/enable", "1"); err != nil {
		return err
	}
	s.enabled = true
	return nil
}

// bestClock is the clock that is set, if it will do, else the best.
func (s *setup) bestClock() string {
	if _, ok := s.clock(); ok {
		return s.text("current_timestamp_clock")
	}
	return clocks[0].name
}

// watermark is how many scans the kernel waits for before it wakes the reader.
func (s *setup) watermark(rate float64) int {
	if s.period > 0 && (rate == 0 || rate > 1/s.period.Seconds()) {
		rate = 1 / s.period.Seconds()
	}
	return int(min(length/4, max(1, math.Floor(rate*wakeEvery))))
}

// set writes an attribute, unless it has the value already.
func (s *setup) set(file, value string) error {
	before := s.text(file)
	if before == value {
		return nil
	}
	err := os.WriteFile(s.path(file), []byte(value), 0)
	switch {
	case err == nil:
		s.undo = append(s.undo, func() { _ = os.WriteFile(s.path(file), []byte(before), 0) })
		return nil
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return s.fail(errors.Join(ErrNoBuffer, err), "the buffer of the converter at %s is not set up and this program may not do it (%s is %q, not %q): have a rule for udev write it", s.device, file, before, value)
	case strings.HasSuffix(file, "/enable") && errors.Is(err, syscall.EINVAL) && s.text("trigger/current_trigger") == "":
		return s.fail(errors.Join(ErrNoBuffer, err), "the buffer of the converter at %s has no trigger, so nothing would start a conversion: name one as trigger", s.device)
	}
	return s.fail(errors.Join(ErrNoBuffer, err), "the buffer of the converter at %s does not take %q for %s: %v", s.device, value, file, reason(err))
}

// restore takes everything back that was set.
func (s *setup) restore() {
	for i := len(s.undo) - 1; i >= 0; i-- {
		s.undo[i]()
	}
	s.undo, s.enabled = nil, false
}

// stop ends the buffering that was started here. Until then the channel's file answers EBUSY to everybody.
func (s *setup) stop() {
	if s.enabled {
		_ = os.WriteFile(s.path(s.control+"/enable"), []byte("0"), 0)
	}
}

// scan reads how a scan is made up.
func (s *setup) scan() (scans, error) {
	entries, err := os.ReadDir(s.path(s.elements))
	if err != nil {
		return scans{}, s.fail(err, "the buffer of the converter at %s cannot be looked at: %v", s.device, reason(err))
	}
	var all []element
	for _, entry := range entries {
		name, ok := strings.CutPrefix(strings.TrimSuffix(entry.Name(), "_en"), "in_")
		if !ok || !strings.HasSuffix(entry.Name(), "_en") || !s.on(name) {
			continue
		}
		e := element{name: name}
		e.index, err = strconv.Atoi(s.text(s.elements + "/in_" + name + "_index"))
		if err == nil {
			e.typ, err = parseScanType(s.text(s.elements + "/in_" + name + "_type"))
		}
		if err != nil {
			return scans{}, s.fail(errors.Join(ErrNoBuffer, err), "the place of %s in the buffer of the converter at %s cannot be told: %v", name, s.device, err)
		}
		all = append(all, e)
	}
	found := scans{size: arrange(all), period: s.period}
	for _, e := range all {
		switch e.name {
		case s.channel:
			found.value = e
		case timestamp:
			found.stamp = e
		}
	}
	if found.value.name == "" || found.stamp.name == "" || !found.value.typ.fits() || found.value.typ.repeat != 1 || found.stamp.typ.storage != 64 {
		return scans{}, s.fail(ErrNoBuffer, "the buffer of the converter at %s does not hold %s as one number of at most 32 bits beside a timestamp of 64", s.device, s.channel)
	}
	return found, nil
}
