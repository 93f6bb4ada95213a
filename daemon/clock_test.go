package daemon

import (
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/daemon/socket"
	"underdash/daemon/timebase"
	"underdash/store"
)

// wallClock is a wall clock that is set by hand.
type wallClock struct {
	mu     sync.Mutex // guards what follows
	offset time.Duration
	sync   bool // it follows a reference
}

func (w *wallClock) set(offset time.Duration, sync bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.offset, w.sync = offset, sync
}

func (w *wallClock) options() timebase.Options {
	return timebase.Options{
		Wall: func() time.Time {
			w.mu.Lock()
			defer w.mu.Unlock()
			return time.Now().Add(w.offset)
		},
		Synchronised: func() (bool, time.Duration) {
			w.mu.Lock()
			defer w.mu.Unlock()
			return w.sync, time.Millisecond
		},
	}
}

// to1970 moves a bubble's clock, which begins with the year 2000, to 1970.
var to1970 = time.Date(1970, 1, 1, 0, 0, 30, 0, time.UTC).Sub(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))

// A clock that jumps from 1970 to today in mid-drive, and back by an hour: the session is whole, its instants go one
// way, and it has the date that was true when it began.
func TestTheWallClockJumpsInMidDrive(t *testing.T) {
	for _, row := range []struct {
		name   string
		back   bool          // the clock still follows a reference when it goes back
		begins time.Duration // what the session's date is off by
	}{
		{"somebody sets it back by an hour", false, 0},
		{"its reference puts it right by an hour", true, -time.Hour},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				w := &wallClock{offset: to1970}
				b.o.Clock = w.options()
				began := time.Now()
				b.start()
				time.Sleep(20 * time.Second)
				w.set(0, true)
				time.Sleep(15 * time.Second)
				w.set(-time.Hour, row.back)
				time.Sleep(35 * time.Second)
				infos := b.stop()
				require.Len(t, infos, 1)
				assert.Equal(t, store.Complete, infos[0].State)
				assert.Equal(t, "the engine stopped", infos[0].Meta.End.Reason)

				path, err := store.Find(b.cfg.Store.Path, store.Last)
				require.NoError(t, err)
				r, err := store.OpenReader(path)
				require.NoError(t, err)
				defer func() { require.NoError(t, r.Close()) }()
				latest := make(map[uint16]time.Duration)
				worst, analog := time.Duration(0), 0
				for s, err := range r.Samples() {
					require.NoError(t, err)
					if last, ok := latest[s.Channel]; ok {
						require.GreaterOrEqual(t, s.At, last, "channel %d", s.Channel)
						if r.Meta().Channels[s.Channel].Analog != nil {
							worst = max(worst, s.At-last)
							analog++
						}
					}
					latest[s.Channel] = s.At
				}
				assert.Less(t, worst, 50*time.Millisecond, "readings of the converter, 10 ms apart")
				assert.Greater(t, analog, 5500)
				date := store.Date(infos, store.Anchors(b.cfg.Store.Path))[0]
				assert.Equal(t, store.ByReference, date.Source)
				assert.InDelta(t, row.begins.Seconds(), date.Began.Sub(began).Seconds(), 5, "the drive begins within seconds")
				assert.InDelta(t, date.Began.Sub(r.Meta().Began().Began).Seconds(), 0, 0.01)
			})
		})
	}
}

// A client's clock dates the drive that is on and the one before it, in the same boot, by another daemon.
func TestAClientsClockDatesTheSessionsOfTheBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wallClock{offset: to1970}
		b := newBubble(t, rig.Demo(40*time.Second, 1))
		b.o.Clock = w.options()
		b.start()
		time.Sleep(50 * time.Second)
		infos := b.stop()
		assert.False(t, store.Date(infos, store.Anchors(b.cfg.Store.Path))[0].Dated())

		again := newBubble(t, rig.Demo(40*time.Second, 2))
		again.cfg.Store.Path = b.cfg.Store.Path
		again.o.Clock = w.options()
		again.start()
		time.Sleep(20 * time.Second)
		assert.Equal(t, timebase.System, again.daemon.Status().Clock)
		_, err := again.daemon.offered(time.Unix(0, 0), time.Second)
		require.ErrorIs(t, err, timebase.ErrOffer)
		require.ErrorIs(t, err, socket.ErrTime)
		now := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
		taken, err := again.daemon.offered(now, 200*time.Millisecond)
		require.NoError(t, err)
		assert.True(t, taken)
		time.Sleep(30 * time.Second)
		assert.Equal(t, timebase.Client, again.daemon.Status().Clock)
		infos = again.stop()
		require.Len(t, infos, 2)
		anchors := store.Anchors(b.cfg.Store.Path)
		require.Len(t, anchors, 1)
		dates := store.Date(infos, anchors)
		assert.Equal(t, store.ByClient, dates[1].Source)
		assert.InDelta(t, now.Add(-20*time.Second).Sub(dates[1].Began).Seconds(), 0, 5)
		if infos[0].Meta.BootID != "" { // known on Linux; the bubble's clock is another than the boot's, which stood still meanwhile
			assert.Equal(t, store.ByClient, dates[0].Source)
			assert.InDelta(t, dates[1].Began.Sub(dates[0].Began).Seconds(), (infos[1].Meta.SinceBoot - infos[0].Meta.SinceBoot).Seconds(), 0.1)
		}
	})
}

// Without a session there is nothing to date, and nothing is written.
func TestAParkedDaemonKeepsNoAnchor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		w := &wallClock{offset: to1970}
		b.o.Clock = w.options()
		b.cfg.Adapter.Address = ""
		b.cfg.Analog = b.cfg.Analog[:0]
		b.start()
		time.Sleep(5 * time.Second)
		w.set(0, true)
		time.Sleep(5 * time.Second)
		b.stop()
		assert.Empty(t, store.Anchors(b.cfg.Store.Path))
	})
}

// A correction of the clock that could not be kept at once is kept later, as the clock stands then.
func TestACorrectionOfTheClockIsKeptInTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wallClock{offset: time.Hour, sync: true}
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.cfg.Adapter.Address, b.cfg.Session.Begin = "", config.Always
		b.o.Clock = w.options()
		b.start()
		time.Sleep(10 * time.Second)
		if b.daemon.clock.BootID() == "" {
			b.stop()
			t.Skip("this system has no name for its boot")
		}
		require.Len(t, store.Anchors(b.cfg.Store.Path), 1)
		anchors := filepath.Join(b.cfg.Store.Path, "anchors")
		require.NoError(t, os.Rename(anchors, anchors+".aside"))
		require.NoError(t, os.Mkdir(anchors, 0o755)) // nothing can be added to it
		w.set(0, true)
		time.Sleep(5 * time.Second)
		w.set(time.Minute, true) // meanwhile it waits
		time.Sleep(5 * time.Second)
		require.NoError(t, os.Remove(anchors))
		require.NoError(t, os.Rename(anchors+".aside", anchors))
		time.Sleep(2 * anchorAgain)
		kept := store.Anchors(b.cfg.Store.Path)
		require.Len(t, kept, 2, "once, and not again and again")
		now := time.Now().Add(time.Minute)
		assert.WithinRange(t, kept[1].UTC, now.Add(-2*anchorAgain), now)
		b.stop()
	})
}
