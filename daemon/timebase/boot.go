package timebase

import (
	"os"
	"strings"
	"time"
)

// boot is where a clock's start is on the clock of the system's boot.
type boot struct {
	id        string
	start     time.Duration // since the boot
	suspended time.Duration // how long the system had been suspended by then
}

// bootIDFile has a number that is drawn anew at every boot of Linux.
const bootIDFile = "/proc/sys/kernel/random/boot_id"

// bootIDVariable has the same number where a service manager keeps a service from seeing the file.
const bootIDVariable = "BOOT_ID"

func lookAtBoot() boot {
	b := boot{id: os.Getenv(bootIDVariable)}
	if text, err := os.ReadFile(bootIDFile); err == nil {
		b.id = strings.TrimSpace(string(text))
	}
	// The two writings of the same number: a service manager leaves the dashes out.
	b.id = strings.ToLower(strings.ReplaceAll(b.id, "-", ""))
	var ok bool
	if b.start, ok = sinceBoot(); !ok {
		return boot{}
	}
	b.suspended = suspended()
	return b
}
