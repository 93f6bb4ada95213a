package daemon

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/daemon/session"
	"underdash/store"
)

// The engine stops, and for as long as the configuration says the drive could still go on; then it has ended when the
// engine stopped.
func TestAStopIsBridgedAndThenTheDriveIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(40*time.Second, 1))
		b.cfg.Session.Bridge = 30 * time.Second
		b.start()
		time.Sleep(60 * time.Second)
		assert.NotEmpty(t, b.daemon.Status().Recording, "it may go on")
		time.Sleep(30 * time.Second)
		assert.Empty(t, b.daemon.Status().Recording)
		infos := b.stop()
		require.Len(t, infos, 1)
		assert.Equal(t, store.Complete, infos[0].State)
		assert.InDelta(t, 40, infos[0].Meta.End.At.Seconds(), 5)
		assert.NotEmpty(t, infos[0].Meta.Rates)
	})
}

func TestWhatGoesToTheMediumIsCounted(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("counted on Linux only")
	}
	n, ok := written()
	require.True(t, ok)
	d := New(newBubble(t, rig.Demo(time.Minute, 1)).cfg, Options{})
	d.worn.written = 0
	d.countWear(0)
	d.countWear(time.Second)
	if n == 0 {
		return // nothing yet: the tests' files are in memory
	}
	assert.GreaterOrEqual(t, d.health.Parts()[0].Counts[WrittenCount], n)
	assert.Equal(t, session.Part, d.health.Parts()[0].Name)
}

// A parked car whose adapter fails in one way after the other costs the card nothing.
func TestAParkedDaemonWritesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		tries := 0
		b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) {
			tries++
			return nil, fmt.Errorf("try %d: no such device", tries)
		}
		b.cfg.Analog = nil
		b.start()
		time.Sleep(5 * time.Second)
		file := filepath.Join(b.cfg.Store.Path, StatusFile)
		before, err := os.Stat(file)
		require.NoError(t, err)
		time.Sleep(10 * time.Minute)
		after, err := os.Stat(file)
		require.NoError(t, err)
		assert.Greater(t, tries, 20)
		assert.True(t, os.SameFile(before, after), "it was not written anew")
		state, why := b.part(OBDPart)
		assert.Equal(t, string(health.Waiting), state)
		assert.Contains(t, why, fmt.Sprintf("try %d:", tries), "who asks hears the latest")
		b.stop()
	})
}
