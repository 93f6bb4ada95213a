package daemon

import (
	"errors"
	"fmt"

	"underdash/daemon/session"
	"underdash/daemon/socket"
)

// Mark puts a named instant, now, into the session that is being recorded. The error wraps socket.ErrNoSession if none
// is.
func (d *Daemon) Mark(text string) error {
	err := d.recorder.Mark(d.clock.Now(), "", text)
	if errors.Is(err, session.ErrNoDrive) {
		return fmt.Errorf("mark %q: %w", text, socket.ErrNoSession)
	}
	return err
}
