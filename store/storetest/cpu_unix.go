//go:build unix

package storetest

import (
	"syscall"
	"time"
)

// CPU is how much processor time this process has taken so far. On a busy machine it says more than the time that
// passed.
func CPU() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
