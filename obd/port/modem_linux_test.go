package port

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"
)

func TestModemLines(t *testing.T) {
	assert.False(t, reached(0))
	assert.False(t, reached(unix.TIOCM_DTR|unix.TIOCM_RTS|unix.TIOCM_RI), "our own lines, and a ring")
	assert.True(t, reached(unix.TIOCM_CD))
	assert.True(t, reached(unix.TIOCM_DSR|unix.TIOCM_CTS), "an adapter that never raises the carrier")
}
