package iio

import (
	"bytes"
	"os"
	"time"
)

// followEvery is how often the path is looked at again.
const followEvery = time.Second

// follow opens the channel's file anew when another file has taken its place. A converter whose driver was loaded again, or
// a tree that is refreshed by renaming, leaves a descriptor behind that shows the last code for ever. What is missing now is
// left to the read to tell.
func (c *Channel) follow() {
	now := time.Now()
	if now.Sub(c.followed) < followEvery {
		return
	}
	c.followed = now
	at, err := os.Stat(c.file.Name())
	if err != nil {
		return
	}
	mine, err := c.file.Stat()
	if err == nil && os.SameFile(at, mine) {
		return
	}
	if f, err := os.Open(c.file.Name()); err == nil {
		_ = c.file.Close()
		c.file, c.fd = f, f.Fd()
	}
}

// settled reads until there is a whole line, for about a tenth of a second at the most. Linux always gives one; a file that
// somebody else is just writing anew may be empty or end in the middle of the number. What is there in the end is returned as it
// is; a file that never has a line's end is not waited for again.
func (c *Channel) settled() (n int, err error) {
	for pause := time.Millisecond; ; pause *= 2 {
		n, err = c.pread(c.file, c.fd, c.buffer[:])
		if err != nil || bytes.IndexByte(c.buffer[:n], '\n') >= 0 || (n > 0 && c.bare) {
			return n, err
		}
		if pause > 64*time.Millisecond {
			c.bare = n > 0
			return n, nil
		}
		time.Sleep(pause)
	}
}
