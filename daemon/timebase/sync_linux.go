package timebase

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// timesyncFile exists once systemd's time service has set the clock since the boot (systemd-timesyncd.service(8)).
const timesyncFile = "/run/systemd/timesync/synchronized"

// timesyncError is how far off that service leaves the clock, at the most: beyond it steps the clock (from memory).
const timesyncError = 400 * time.Millisecond

// synchronised asks the kernel whether some time service keeps its clock right, and to within what. Where a sandbox
// forbids the question, the mark of systemd's own service is the answer, though that stays when somebody sets the clock by hand.
func synchronised() (bool, time.Duration) {
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	if err != nil {
		_, err := os.Stat(timesyncFile)
		return err == nil, timesyncError
	}
	if state == unix.TIME_ERROR || tx.Status&unix.STA_UNSYNC != 0 {
		return false, 0
	}
	return true, time.Duration(tx.Maxerror) * time.Microsecond
}

// sinceBoot is the boot's clock, which counts time in suspend too.
func sinceBoot() (time.Duration, bool) { return read(unix.CLOCK_BOOTTIME) }

// suspended is how long the system has been suspended since its boot.
func suspended() time.Duration {
	monotonic, ok := read(unix.CLOCK_MONOTONIC)
	boot, ok2 := read(unix.CLOCK_BOOTTIME)
	if !ok || !ok2 {
		return 0
	}
	return (boot - monotonic).Round(time.Millisecond) // the two are read one after the other
}

func read(clock int32) (time.Duration, bool) {
	var t unix.Timespec
	if err := unix.ClockGettime(clock, &t); err != nil {
		return 0, false
	}
	return time.Duration(t.Nano()), true
}
