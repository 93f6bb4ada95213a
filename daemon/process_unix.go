//go:build unix

package daemon

import (
	"errors"
	"syscall"
)

// processLives reports whether a process with that number exists, whoever owns it.
func processLives(pid int) bool {
	if pid <= 0 {
		return false
	}
	err := syscall.Kill(pid, 0)
	return err == nil || errors.Is(err, syscall.EPERM)
}
