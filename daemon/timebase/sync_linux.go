package timebase

import (
	"time"

	"golang.org/x/sys/unix"
)

// synchronised asks the kernel whether some time service keeps its clock right, and to within what. A sandbox that
// forbids the question counts as "no".
func synchronised() (bool, time.Duration) {
	var tx unix.Timex
	state, err := unix.Adjtimex(&tx)
	if err != nil || state == unix.TIME_ERROR || tx.Status&unix.STA_UNSYNC != 0 {
		return false, 0
	}
	return true, time.Duration(tx.Maxerror) * time.Microsecond
}
