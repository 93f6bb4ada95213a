package daemon

import (
	"os"
	"strconv"
	"strings"
	"time"

	"underdash/daemon/session"
)

// wornEvery is how often the bytes that went to the medium are counted.
const wornEvery = 10 * time.Second

// WrittenCount is the counter, at the store's part, of bytes that this process has had written to storage.
const WrittenCount = "bytes written to the medium"

// countWear brings the counter up to date.
func (d *Daemon) countWear(now time.Duration) {
	if now < d.worn.next {
		return
	}
	d.worn.next = now + wornEvery
	if n, ok := written(); ok && n > d.worn.written {
		d.health.Count(session.Part, WrittenCount, n-d.worn.written)
		d.worn.written = n
	}
}

// wear is what watch knows of it.
type wear struct {
	next    time.Duration
	written uint64
}

// ioFile is the kernel's account of this process (proc(5)).
const ioFile = "/proc/self/io"

// written is how many bytes this process has caused to be sent to storage: whole pages, and without what a file
// system adds for its own journal. It is not known on every system.
func written() (bytes uint64, ok bool) {
	text, err := os.ReadFile(ioFile)
	if err != nil {
		return 0, false
	}
	for line := range strings.Lines(string(text)) {
		if n, found := strings.CutPrefix(line, "write_bytes: "); found {
			bytes, err = strconv.ParseUint(strings.TrimSpace(n), 10, 64)
			return bytes, err == nil
		}
	}
	return 0, false
}
