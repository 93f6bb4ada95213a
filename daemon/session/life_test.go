package session

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/store"
)

func events(m store.Meta, kind string) (found []store.Event) {
	for _, e := range m.Events {
		if e.Kind == kind {
			found = append(found, e)
		}
	}
	return found
}

func TestAStallIsBridged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{Before: 3 * time.Second})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 10*time.Second)
		b.Pause(b.now())
		b.Gap("obd", b.now(), "the car does not answer")
		b.read(0, 20*time.Second)
		b.GapOver("obd", b.now())
		b.Resume(b.now())
		b.read(0, 5*time.Second)
		b.End(b.now(), "the engine stopped")
		b.stop()
		infos, samples := b.sessions()
		require.Len(t, infos, 1)
		m := infos[0].Meta
		assert.Equal(t, []store.Event{{At: 10 * time.Second, Until: 27 * time.Second, Kind: "pause", Text: "the engine stood"}}, events(m, "pause"))
		assert.Equal(t, []store.Event{{At: 10 * time.Second, Until: 10 * time.Second, Kind: "gap", Source: "obd", Text: "the car does not answer"}}, events(m, "gap"))
		assert.Equal(t, 35*time.Second, m.End.At)
		assert.InDelta(t, 100+31+50, len(samples[0]), 1, "while it stood nothing is recorded but the last three seconds before it went on")
		for _, x := range samples[0] {
			assert.False(t, x.At > 10*time.Second && x.At < 27*time.Second, "%v", x.At)
		}
		require.Len(t, m.Rates, 1)
		assert.InDelta(t, 10, m.Rates[0].PerSecond, 0.1, "pauses are left out")
		assert.Equal(t, 100*time.Millisecond, m.Rates[0].Worst)
	})
}

func TestADriveThatEndsWhilePausedEndedWhenItWasPaused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 10*time.Second)
		b.Pause(b.now())
		b.read(0, 50*time.Second)
		b.Gap("obd", b.now(), "asleep")
		b.End(b.now(), "the engine stopped")
		b.stop()
		infos, samples := b.sessions()
		assert.Equal(t, 10*time.Second, infos[0].Meta.End.At)
		assert.Len(t, samples[0], 100)
		assert.Empty(t, events(infos[0].Meta, "pause"))
		assert.Empty(t, events(infos[0].Meta, "gap"), "what came after the end is not its business")
	})
}

func TestWhatIsOpenIsInTheSessionBeforeItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 2*time.Second)
		b.Gap("obd", b.now(), "unplugged")
		b.read(0, 4*time.Second)
		b.Pause(b.now())
		b.read(0, 7*time.Second)
		m := b.store.Recording().Meta()
		assert.Equal(t, []store.Event{{At: 2 * time.Second, Until: store.StillOpen, Kind: "gap", Source: "obd", Text: "unplugged"}}, events(m, "gap"))
		assert.Equal(t, []store.Event{{At: 6 * time.Second, Until: store.StillOpen, Kind: "pause", Text: "the engine stands"}}, events(m, "pause"))
		b.stop()
	})
}

func TestMarks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		err := b.Mark(b.now(), "", "too early")
		require.ErrorIs(t, err, ErrNoDrive)
		assert.ErrorContains(t, err, `mark "too early"`)
		b.Begin(b.now(), store.Meta{})
		b.read(0, time.Second)
		require.NoError(t, b.Mark(b.now(), "", "knock at the lights"))
		synctest.Wait()
		want := []store.Event{{At: time.Second, Until: time.Second, Kind: "mark", Text: "knock at the lights"}}
		assert.Equal(t, want, events(b.store.Recording().Meta(), "mark"), "it is written at once")
		b.read(0, time.Second)
		b.stop()
		infos, _ := b.sessions()
		assert.Equal(t, want, events(infos[0].Meta, "mark"))
	})
}

func TestRatesAreWrittenDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.mu.Lock()
		b.chans = append(b.chans, analogChannel("pressure"), analogChannel("never read"))
		b.mu.Unlock()
		b.Begin(b.now(), store.Meta{})
		b.read(0, 30*time.Second)
		b.read(1, 3*time.Second)
		b.read(0, 12*time.Minute)
		m := b.store.Recording().Meta()
		require.Len(t, m.Rates, 2, "after ten minutes, without anything else to write")
		assert.Equal(t, store.Rate{Channel: 1, Until: m.Rates[0].Until, Readings: 30, PerSecond: m.Rates[1].PerSecond, Worst: m.Rates[0].Until - 33*time.Second}, m.Rates[1])
		assert.GreaterOrEqual(t, m.Rates[0].Until, 10*time.Minute-time.Second)
		b.stop()
		infos, _ := b.sessions()
		m = infos[0].Meta
		assert.InDelta(t, 10*750/753.0, m.Rates[0].PerSecond, 0.05)
		assert.Equal(t, 3100*time.Millisecond, m.Rates[0].Worst)
		assert.Equal(t, uint64(7500), m.Rates[0].Readings)
	})
}

// look is what a directory holds, and when each file was last written.
func look(t *testing.T, dir string) (seen []string) {
	require.NoError(t, filepath.Walk(dir, func(path string, f os.FileInfo, err error) error {
		seen = append(seen, fmt.Sprint(path, f.Size(), f.ModTime().UnixNano()))
		return err
	}))
	return seen
}

func TestNothingIsWrittenWhileParked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.read(0, time.Minute)
		before := look(t, b.dir)
		b.Gap("obd", b.now(), "asleep")
		b.read(0, 10*time.Minute)
		assert.Equal(t, before, look(t, b.dir), "before the first drive")
		b.GapOver("obd", b.now())
		b.Begin(b.now(), store.Meta{})
		b.read(0, time.Minute)
		b.End(b.now(), "the engine stopped")
		synctest.Wait()
		before = look(t, b.dir)
		b.Gap("obd", b.now(), "asleep")
		b.read(0, 10*time.Minute)
		assert.Equal(t, before, look(t, b.dir), "after a drive")
		b.stop()
	})
}

// A store that has no room: recording stops, and everybody is told; what memory held is stored when there is room
// again, and what it could not hold is a gap with its reason, whenever the drive ends.
func TestNoRoom(t *testing.T) {
	for _, row := range []struct {
		name string
		end  func(b *bench, room func()) // after a minute, of which memory held half
		want int                         // readings of a drive of this length, those that were lost included
	}{
		{"room comes back while the drive goes on", func(b *bench, room func()) {
			room()
			b.read(0, 20*time.Second)
			assert.Equal(b.t, health.Working, b.health.Parts()[0].State)
		}, 800},
		{"the drive ends", func(b *bench, room func()) {
			b.End(b.now(), "the engine stopped")
			room()
			b.read(0, 20*time.Second)
		}, 600},
		{"the drive pauses and ends", func(b *bench, room func()) {
			b.Pause(b.now())
			b.read(0, 20*time.Second)
			assert.Contains(b.t, b.health.Parts()[0].Why, "waits in memory", "nothing is lost while nothing is to be recorded")
			b.End(b.now(), "the engine stopped")
			room()
			b.read(0, 20*time.Second)
		}, 600},
	} {
		t.Run(row.name, func(t *testing.T) { synctest.Test(t, func(t *testing.T) { noRoom(t, row.end, row.want) }) })
	}
}

func noRoom(t *testing.T, end func(b *bench, room func()), want int) {
	b := &bench{t: t, dir: t.TempDir(), start: time.Now(), chans: []store.Channel{analogChannel("wideband")}}
	limited, err := store.Open(b.dir, store.Options{Limit: 600_000})
	require.NoError(t, err)
	full := fill(t, limited)
	var told []health.State
	b.run(limited, RecorderOptions{Most: 300, Told: func(s health.State, why string) {
		if len(told) == 0 || told[len(told)-1] != s {
			told = append(told, s)
		}
		b.health.Set(Part, s, why)
	}})
	b.Begin(b.now(), store.Meta{})
	b.read(0, 20*time.Second)
	p := b.health.Parts()[0]
	assert.Equal(t, health.Stopped, p.State)
	assert.Contains(t, p.Why, "no room to record")
	assert.Contains(t, p.Why, "waits in memory")
	b.read(0, 40*time.Second)
	p = b.health.Parts()[0]
	assert.Equal(t, health.Stopped, p.State)
	assert.Contains(t, p.Why, "is lost")
	assert.InDelta(t, 300, p.Counts["readings lost"], 2)

	end(b, func() {
		for _, id := range full {
			require.NoError(t, limited.Mark(id, store.Pinned, false))
		}
	})
	b.End(b.now(), "")
	b.Begin(b.now(), store.Meta{})
	b.read(0, 5*time.Second)
	b.stop()
	infos, samples := b.sessions()
	assert.LessOrEqual(t, len(infos), len(full)+1, "the oldest went")
	next := infos[len(infos)-1].Meta
	infos, samples = infos[len(infos)-2:], samples[len(samples)-2:]
	lost := int(b.health.Parts()[0].Counts["readings lost"])
	assert.Equal(t, want, len(samples[0])+lost, "every reading is there or counted")
	g := gaps(infos[0].Meta)
	require.Len(t, g, 1)
	assert.Equal(t, Source, g[0].Source)
	assert.Contains(t, g[0].Text, "no room to record")
	assert.InDelta(t, float64(lost)/10, (g[0].Until - g[0].At).Seconds(), 0.5)
	for _, x := range samples[0] {
		assert.False(t, x.At >= g[0].At && x.At < g[0].Until, "%v is in the gap %v to %v", x.At, g[0].At, g[0].Until)
	}
	assert.Empty(t, gaps(next), "the drive after that has no gap")
	assert.Equal(t, []health.State{health.Stopped, health.Working}, told)
}

// fill makes pinned sessions until there is no room for another, and returns their IDs.
func fill(t *testing.T, s *store.Store) (ids []string) {
	t.Helper()
	r := rand.New(rand.NewPCG(1, 1))
	batch := make([]store.Sample, 5000)
	for i := range batch {
		batch[i].Code = r.Int64()
	}
	for {
		session, err := s.Begin(store.Meta{Channels: []store.Channel{analogChannel("x")}})
		if errors.Is(err, store.ErrFull) {
			return ids
		}
		require.NoError(t, err)
		if err := session.Append(batch); !errors.Is(err, store.ErrFull) {
			require.NoError(t, err)
		}
		require.NoError(t, session.End(0, ""))
		require.NoError(t, s.Mark(session.ID(), store.Pinned, true))
		ids = append(ids, session.ID())
	}
}
