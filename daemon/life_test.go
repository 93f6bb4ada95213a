package daemon

import (
	"context"
	"errors"
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
	// A file system in memory has no medium; the tree that the tests run in is on one, as a rule.
	f, err := os.CreateTemp(".", "written-*.tmp")
	require.NoError(t, err)
	defer func() { require.NoError(t, os.Remove(f.Name())) }()
	before, ok := written()
	require.True(t, ok)
	_, err = f.Write(make([]byte, 1<<20))
	require.NoError(t, err)
	require.NoError(t, errors.Join(f.Sync(), f.Close()))
	n, _ := written()
	if n == before {
		t.Skip("this tree is not on a medium whose bytes the kernel counts")
	}
	assert.GreaterOrEqual(t, n-before, uint64(1<<20))
	d := New(newBubble(t, rig.Demo(time.Minute, 1)).cfg, Options{})
	d.countWear(0)
	require.NotEmpty(t, d.health.Parts())
	p := d.health.Parts()[0]
	assert.Equal(t, session.Part, p.Name)
	assert.GreaterOrEqual(t, p.Counts[WrittenCount], n)
	d.worn.written -= 5000
	counted := p.Counts[WrittenCount]
	d.countWear(wornEvery - 1)
	assert.Equal(t, counted, d.health.Parts()[0].Counts[WrittenCount], "it is not looked at all the time")
	d.countWear(wornEvery)
	assert.GreaterOrEqual(t, d.health.Parts()[0].Counts[WrittenCount], counted+5000)
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
