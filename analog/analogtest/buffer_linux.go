package analogtest

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Scan says how a channel's number stands in a scan of the buffer. The zero value is that of an ADS1115, le:s16/16>>0.
type Scan struct {
	BigEndian, Unsigned bool
	Bits                int  // default 16
	Storage             int  // bits, default 16
	Shift               int  // bits below the number
	Enabled             bool // from the start, as a rule for udev may have it
}

// BufferOptions describe a device's buffer. The zero value is what a driver with a software trigger offers when the device appears:
// timestamps of the wall clock, no trigger, nothing enabled.
type BufferOptions struct {
	Scans       map[string]Scan // by channel; the channels' order is that of the scan
	NoTimestamp bool            // the driver offers none
	Clock       string          // current_timestamp_clock; default "realtime", as in the kernel
	Trigger     string          // current_trigger
	Running     bool            // enabled, with timestamps, before anybody asks
	Numbered    bool            // in the folder buffer0, as since Linux 5.11, instead of scan_elements and buffer
}

// Buffer is the buffer of a virtual device: the files that set it up, and a FIFO in the place of its node. Like the kernel's it takes
// scans only while it is enabled and has a trigger, of the elements that are enabled, and drops the newest when it is full.
type Buffer struct {
	device            *Device
	elements, control string
	scans             map[string]Scan
	fifo              *os.File

	Dropped int // scans that found the buffer full
	// Torn makes every scan come in pieces of so many bytes, as a FIFO may deliver them; 0 whole.
	Torn int
}

// OfferBuffer gives the device a buffer. Close the Buffer before the device is taken away.
func (d *Device) OfferBuffer(o BufferOptions) (*Buffer, error) {
	b := &Buffer{device: d, elements: "scan_elements", control: "buffer", scans: map[string]Scan{}}
	if o.Numbered {
		b.elements, b.control = "buffer0", "buffer0"
	}
	files := map[string]string{"uevent": "DEVTYPE=iio_device\nDEVNAME=" + d.node()}
	for i, c := range d.channels {
		s := o.Scans[c.Name].withDefaults()
		b.scans[c.Name] = s
		element := b.elements + "/in_" + c.Name
		files[element+"_en"], files[element+"_index"], files[element+"_type"] = flag(s.Enabled), strconv.Itoa(i), s.text()
	}
	if !o.NoTimestamp {
		stamp := b.elements + "/in_timestamp"
		files[stamp+"_en"], files[stamp+"_index"], files[stamp+"_type"] = flag(o.Running), strconv.Itoa(len(d.channels)), "le:s64/64>>0"
	}
	files[b.control+"/enable"], files[b.control+"/length"], files[b.control+"/watermark"] = flag(o.Running), "2", "1"
	if files["current_timestamp_clock"] = o.Clock; o.Clock == "" {
		files["current_timestamp_clock"] = "realtime"
	}
	files["trigger/current_trigger"] = o.Trigger
	for name, text := range files {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(d.path, name)), 0o755); err != nil {
			return nil, fmt.Errorf("offering a virtual buffer: %w", err)
		}
		if err := d.write(name, text); err != nil {
			return nil, fmt.Errorf("offering a virtual buffer: %w", err)
		}
	}
	if err := unix.Mkfifo(d.node(), 0o600); err != nil {
		return nil, fmt.Errorf("offering a virtual buffer: %w", err)
	}
	// Open for both, so that a reader that comes later does not find the end.
	fifo, err := os.OpenFile(d.node(), os.O_RDWR|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("offering a virtual buffer: %w", err)
	}
	b.fifo = fifo
	return b, nil
}

// node is the path of the FIFO that stands for the device's node.
func (d *Device) node() string { return filepath.Join(d.path, "node") }

func flag(on bool) string {
	if on {
		return "1"
	}
	return "0"
}

func (s Scan) withDefaults() Scan {
	if s.Bits == 0 {
		s.Bits = 16
	}
	if s.Storage == 0 {
		s.Storage = 16
	}
	return s
}

// text is the type as the kernel prints it.
func (s Scan) text() string {
	endian, sign := "le", "s"
	if s.BigEndian {
		endian = "be"
	}
	if s.Unsigned {
		sign = "u"
	}
	return fmt.Sprintf("%s:%s%d/%d>>%d", endian, sign, s.Bits, s.Storage, s.Shift)
}

// bytes is a code as it stands in a scan. What is above and below the number is filled with ones: a reader must not rely on zeroes.
func (s Scan) bytes(code int32) []byte {
	mask := uint64(1)<<s.Bits - 1
	word := ^uint64(0)&^(mask<<s.Shift) | uint64(int64(code))&mask<<s.Shift
	b := binary.LittleEndian.AppendUint64(nil, word)[:s.Storage/8]
	if s.BigEndian {
		slices.Reverse(b)
	}
	return b
}

// Is tells what one of the device's attributes holds, without the line's end.
func (b *Buffer) Is(attribute string) string {
	text, err := os.ReadFile(filepath.Join(b.device.path, attribute))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// Trigger makes one scan of the codes that the channels have been Set to, converted at an instant. It tells whether there was a buffer
// that took it.
func (b *Buffer) Trigger(at time.Time) (bool, error) {
	if b.Is(b.control+"/enable") != "1" || b.Is("trigger/current_trigger") == "" {
		return false, nil
	}
	stamp, err := b.stamp(at)
	if err != nil {
		return false, err
	}
	var scan []byte
	largest := 1
	add := func(bytes []byte) {
		for len(scan)%len(bytes) != 0 {
			scan = append(scan, 0xA5) // what is between the numbers may be anything
		}
		scan = append(scan, bytes...)
		largest = max(largest, len(bytes))
	}
	b.device.mu.Lock()
	for _, c := range b.device.channels {
		if b.Is(b.elements+"/in_"+c.Name+"_en") == "1" {
			add(b.scans[c.Name].bytes(b.device.codes[c.Name]))
		}
	}
	b.device.mu.Unlock()
	if b.Is(b.elements+"/in_timestamp_en") == "1" {
		add(binary.LittleEndian.AppendUint64(nil, uint64(stamp)))
	}
	for len(scan)%largest != 0 {
		scan = append(scan, 0xA5)
	}
	return b.push(scan)
}

// stamp is an instant on the device's clock, in nanoseconds.
func (b *Buffer) stamp(at time.Time) (int64, error) {
	id, known := map[string]int32{"realtime": unix.CLOCK_REALTIME, "monotonic": unix.CLOCK_MONOTONIC,
		"monotonic_raw": unix.CLOCK_MONOTONIC_RAW, "boottime": unix.CLOCK_BOOTTIME}[b.Is("current_timestamp_clock")]
	if !known {
		return 0, fmt.Errorf("virtual buffer: no clock %q", b.Is("current_timestamp_clock"))
	}
	for {
		var now unix.Timespec
		before := time.Since(at)
		if err := unix.ClockGettime(id, &now); err != nil {
			return 0, fmt.Errorf("virtual buffer: %w", err)
		}
		if time.Since(at)-before < 50*time.Microsecond { // nothing came between
			return now.Nano() - int64(before), nil
		}
	}
}

func (b *Buffer) push(scan []byte) (bool, error) {
	length, err := strconv.Atoi(b.Is(b.control + "/length"))
	if err != nil {
		return false, fmt.Errorf("virtual buffer: %w", err)
	}
	waiting, err := b.waiting()
	if err != nil {
		return false, fmt.Errorf("virtual buffer: %w", err)
	}
	if waiting+len(scan) > length*len(scan) {
		b.Dropped++
		return false, nil
	}
	piece := len(scan)
	if b.Torn > 0 {
		piece = b.Torn
	}
	for part := range slices.Chunk(scan, piece) {
		if _, err := b.fifo.Write(part); err != nil {
			return false, fmt.Errorf("virtual buffer: %w", err)
		}
	}
	return true, nil
}

// waiting is how many bytes nobody has read yet.
func (b *Buffer) waiting() (n int, err error) {
	conn, err := b.fifo.SyscallConn()
	if err != nil {
		return 0, err
	}
	if e := conn.Control(func(fd uintptr) { n, err = unix.IoctlGetInt(int(fd), unix.TIOCINQ) }); e != nil {
		return 0, e
	}
	return n, err
}

// Close lets go of the FIFO and removes it: a reader finds the end.
func (b *Buffer) Close() error {
	return errors.Join(b.fifo.Close(), os.Remove(b.device.node()))
}
