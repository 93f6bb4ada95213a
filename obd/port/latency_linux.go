package port

import (
	"os"
	"path/filepath"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// sysfs is where Linux shows its devices.
const sysfs = "/sys"

// serialStruct is Linux's struct serial_struct (include/uapi/linux/serial.h), from memory.
type serialStruct struct {
	typ, line     int32
	port          uint32
	irq, flags    int32
	fifo, divisor int32
	baudBase      int32
	closeDelay    uint16
	ioType        uint8
	_             uint8
	hub6          int32
	closingWait   uint16
	closingWait2  uint16
	iomemBase     uintptr
	regShift      uint16
	portHigh      uint32
	iomapBase     uintptr
}

// asyncLowLatency is ASYNC_LOW_LATENCY of include/uapi/linux/tty_flags.h.
const asyncLowLatency = 1 << 13

// askLowLatency asks a USB bridge's driver to pass on what comes at once. A bridge that does not collects characters
// for up to 16 ms, which a short answer always waits out. One family of bridges knows the wish; the others have no such
// timer, and no driver's refusal matters. call puts the request to the driver; see serialInfo.
func askLowLatency(fd int, name string, call func(fd int, request uintptr, s *serialStruct) error) {
	if !strings.HasPrefix(name, "ttyUSB") {
		return
	}
	var s serialStruct
	if call(fd, unix.TIOCGSERIAL, &s) == nil && s.flags&asyncLowLatency == 0 {
		s.flags |= asyncLowLatency
		_ = call(fd, unix.TIOCSSERIAL, &s)
	}
}

func serialInfo(fd int, request uintptr, s *serialStruct) error {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), request, uintptr(unsafe.Pointer(s)))
	if errno != 0 {
		return errno
	}
	return nil
}

// quicken does the same through the files of a USB bridge, where it has them and they may be written: the timer at its
// shortest, 1 ms, and the adapter's prompt as the character that ends the wait ('>' with bit 8, which switches that
// on). Every opening switches the character off again.
func quicken(sys, name string) {
	dir := filepath.Join(sys, "bus", "usb-serial", "devices", name)
	for _, f := range []struct{ name, value string }{{"latency_timer", "1"}, {"event_char", "0x13e"}} {
		// Never made, only written: the directory is the kernel's, and a file that is not there is not wanted.
		file, err := os.OpenFile(filepath.Join(dir, f.name), os.O_WRONLY, 0)
		if err != nil {
			continue
		}
		_, _ = file.WriteString(f.value)
		_ = file.Close()
	}
}
