package session

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/store"
)

// bench is a recorder that runs on the bubble's clock over a store on the medium.
type bench struct {
	*Recorder
	t      *testing.T
	dir    string
	start  time.Time
	health health.Board
	mu     sync.Mutex
	chans  []store.Channel
	stop   func()
}

func newBench(t *testing.T, o RecorderOptions) *bench {
	b := &bench{t: t, dir: t.TempDir(), start: time.Now(), chans: []store.Channel{analogChannel("wideband")}}
	st, err := store.Open(b.dir, store.Options{})
	require.NoError(t, err)
	b.run(st, o)
	return b
}

// run starts the recorder.
func (b *bench) run(st *store.Store, o RecorderOptions) {
	t := b.t
	b.Recorder = NewRecorder(st, b.channels, &b.health, o)
	ctx, cancel := context.WithCancel(t.Context())
	var run sync.WaitGroup
	run.Go(func() { assert.NoError(t, b.Run(ctx, b.now)) })
	b.stop = func() {
		cancel()
		run.Wait()
		require.NoError(t, st.Close())
	}
}

func analogChannel(name string) store.Channel {
	return store.Channel{Name: name, Analog: &store.AnalogChannel{Kind: "linear", Unit: "V", ScaleMillivolts: 1, Divider: 1,
		Low: store.Point{Volts: 0, Value: 0}, High: store.Point{Volts: 1, Value: 1}, Rate: 10}}
}

func (b *bench) now() time.Duration { return time.Since(b.start) }

func (b *bench) channels() []store.Channel {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]store.Channel(nil), b.chans...)
}

// read puts ten readings a second for a while.
func (b *bench) read(channel uint16, span time.Duration) {
	for range int(span / (100 * time.Millisecond)) {
		time.Sleep(100 * time.Millisecond)
		b.Put(store.Sample{At: b.now(), Channel: channel, Code: int64(b.now() / time.Millisecond)})
	}
	synctest.Wait()
}

// sessions reads back everything that is on the medium; call it after stop.
func (b *bench) sessions() (infos []store.Info, samples [][]store.Sample) {
	infos, err := store.List(b.dir)
	require.NoError(b.t, err)
	for n, i := range infos {
		path, err := store.Find(b.dir, i.ID)
		require.NoError(b.t, err)
		r, err := store.OpenReader(path)
		require.NoError(b.t, err)
		infos[n].Meta = r.Meta() // a listing has not the whole of it
		var all []store.Sample
		for s, err := range r.Samples() {
			require.NoError(b.t, err)
			all = append(all, s)
		}
		require.NoError(b.t, r.Close())
		samples = append(samples, all)
	}
	return infos, samples
}

func TestADriveBeginsWithWhatWasReadJustBefore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{Before: 3 * time.Second})
		b.read(0, 60*time.Second)
		b.Begin(b.now(), store.Meta{Vehicle: "test car"})
		b.read(0, 5*time.Second)
		b.End(b.now(), "the engine stopped")
		b.read(0, 5*time.Second)
		b.stop()

		infos, samples := b.sessions()
		require.Len(t, infos, 1)
		assert.Equal(t, store.Complete, infos[0].State)
		assert.Equal(t, "test car", infos[0].Meta.Vehicle)
		assert.Equal(t, "the engine stopped", infos[0].Meta.End.Reason)
		assert.Equal(t, 8*time.Second, infos[0].Meta.End.At, "three seconds from before and five of driving")
		require.Len(t, samples[0], 81, "and nothing after its end")
		assert.Equal(t, time.Duration(0), samples[0][0].At)
		assert.Equal(t, int64(57_000), samples[0][0].Code)
		assert.Equal(t, int64(65_000), samples[0][80].Code)
	})
}

// What asks falls silent when the ignition is switched off: then the drive is at its end, and has no gap there. A source that is gone
// has one, and so has a silence while the drive goes on or the daemon is stopped.
func TestTheSilenceInWhichADriveEnds(t *testing.T) {
	for _, row := range []struct {
		name string
		do   func(b *bench)
		want string
		told string
	}{
		{"the engine stopped", func(b *bench) {
			b.Silence("obd", b.now(), "no data")
			b.read(0, 9*time.Second)
			b.End(b.now(), "the engine stopped")
		}, "note", silenceText},
		{"it stood for a while first", func(b *bench) {
			b.Silence("obd", b.now(), "no data")
			b.read(0, 9*time.Second)
			b.Pause(b.now())
			b.read(0, 30*time.Second)
			b.End(b.now(), "the engine stopped")
		}, "note", silenceText},
		{"the daemon was stopped", func(b *bench) { b.Silence("obd", b.now(), "no data"); b.read(0, 9*time.Second) }, "gap", "no data"},
		{"it answered again", func(b *bench) {
			b.Silence("obd", b.now(), "no data")
			b.read(0, 9*time.Second)
			b.GapOver("obd", b.now())
			b.End(b.now(), "the engine stopped")
		}, "gap", "no data"},
		{"the adapter is gone", func(b *bench) {
			b.Silence("obd", b.now(), "no data")
			b.Gap("obd", b.now(), "unplugged")
			b.read(0, 9*time.Second)
			b.End(b.now(), "the engine stopped")
		}, "gap", "unplugged"},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t, RecorderOptions{})
				b.Begin(b.now(), store.Meta{})
				b.read(0, 7*time.Second)
				row.do(b)
				b.stop()
				infos, _ := b.sessions()
				require.Len(t, infos, 1)
				var found []store.Event
				for _, e := range infos[0].Meta.Events {
					if e.Source == "obd" {
						found = append(found, e)
					}
				}
				require.Len(t, found, 1)
				assert.Equal(t, row.want, found[0].Kind)
				assert.Equal(t, row.told, found[0].Text)
				assert.Equal(t, 7*time.Second, found[0].At)
				assert.Equal(t, 16*time.Second, found[0].Until)
			})
		})
	}
}

func TestAStoppedDaemonEndsTheDrive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 7*time.Second)
		_, on := b.Recording()
		assert.True(t, on)
		b.stop()
		infos, samples := b.sessions()
		require.Len(t, infos, 1)
		assert.Equal(t, store.Complete, infos[0].State)
		assert.Equal(t, "the daemon was stopped", infos[0].Meta.End.Reason)
		assert.Len(t, samples[0], 70, "what was read since the last flush is there too")
	})
}

func TestReadingsReachTheStoreAtEveryFlush(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{Flush: 2 * time.Second})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 4050*time.Millisecond)
		stored := uint64(0)
		for _, p := range b.health.Parts() {
			stored += p.Counts["readings stored"]
		}
		assert.InDelta(t, 40, stored, 1)
		b.stop()
	})
}

func TestAChannelThatAppearsLaterIsDescribedBeforeItsReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 6*time.Second)
		b.mu.Lock()
		b.chans = append(b.chans, analogChannel("pressure"))
		b.mu.Unlock()
		b.read(1, 6*time.Second)
		b.stop()
		infos, samples := b.sessions()
		require.Len(t, infos[0].Meta.Channels, 2)
		assert.Equal(t, "pressure", infos[0].Meta.Channels[1].Name)
		assert.Len(t, samples[0], 120)
	})
}

func TestGapsAreRecordedWithTheirReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Gap("obd", b.now(), "no such device") // since before the drive
		time.Sleep(time.Second)
		b.Begin(b.now(), store.Meta{})
		b.read(0, 2*time.Second)
		b.GapOver("obd", b.now())
		b.read(0, time.Second)
		b.Gap("obd", b.now(), "unplugged")
		b.read(0, time.Second)
		b.Gap("obd", b.now(), "no such device") // the same gap, another reason
		b.read(0, time.Second)
		b.GapOver("obd", b.now())
		b.Gap("wideband", b.now(), "gone")
		b.read(0, time.Second)
		b.End(b.now(), "the engine stopped")
		time.Sleep(time.Second)
		b.Begin(b.now(), store.Meta{})
		b.read(0, time.Second)
		b.stop()

		infos, _ := b.sessions()
		require.Len(t, infos, 2)
		assert.Equal(t, []store.Event{
			{At: 0, Until: 2 * time.Second, Kind: "gap", Source: "obd", Text: "no such device"},
			{At: 3 * time.Second, Until: 5 * time.Second, Kind: "gap", Source: "obd", Text: "no such device"},
			{At: 5 * time.Second, Until: 6 * time.Second, Kind: "gap", Source: "wideband", Text: "gone"},
		}, gaps(infos[0].Meta))
		assert.Equal(t, []store.Event{
			{At: 0, Until: time.Second, Kind: "gap", Source: "wideband", Text: "gone"},
		}, gaps(infos[1].Meta), "a gap goes on into the next drive")
	})
}

func gaps(m store.Meta) (found []store.Event) {
	for _, e := range m.Events {
		if e.Kind == "gap" {
			found = append(found, e)
		}
	}
	return found
}

func TestInstantsOfTheDescriptionAreOnTheSessionsClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		time.Sleep(100 * time.Second)
		began := b.now()
		b.Begin(began, store.Meta{
			Anchors:      []store.Anchor{{At: began, UTC: time.Now().UTC(), Source: "system"}},
			Calibrations: []store.Calibration{{Input: "wideband", At: began - time.Second, Gain: 0.97, Method: "warm-up level"}},
			Delays:       []store.Delay{{Input: "wideband", At: began - time.Second, Method: "fitted"}},
		})
		b.read(0, time.Second)
		b.Edit(func(m *store.Meta, zero time.Duration) {
			m.Anchors = append(m.Anchors, store.Anchor{At: b.now() - zero, UTC: time.Now().UTC(), Source: "synchronised"})
			m.References = append(m.References, store.Reference{Input: "wideband", At: b.now() - zero, Level: store.Level{Kind: "cruise"}})
			m.Delays = append(m.Delays, store.Delay{Input: "another"})
		})
		b.stop()
		infos, _ := b.sessions()
		m := infos[0].Meta
		require.Len(t, m.References, 1)
		assert.Equal(t, time.Second, m.References[0].At)
		require.Len(t, m.Delays, 2, "what was added later is kept too")
		assert.Equal(t, -time.Second, m.Delays[0].At)
		require.Len(t, m.Anchors, 2)
		assert.Equal(t, time.Duration(0), m.Anchors[0].At)
		assert.Equal(t, time.Second, m.Anchors[1].At)
		assert.Equal(t, -time.Second, m.Calibrations[0].At)
	})
}

// That the end was not read is known when the drive counts as over, which is long after it ended.
func TestNothingIsReadAfterTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{})
		b.Begin(b.now(), store.Meta{})
		b.read(0, 10*time.Second)
		b.Pause(b.now())
		b.read(0, 50*time.Second)
		b.Edit(func(m *store.Meta, zero time.Duration) {
			m.Diagnoses = []store.Diagnosis{{At: time.Second, Until: 2 * time.Second, When: store.DriveStart}, {At: b.now() - zero, When: store.DriveEnd, Problem: "silent"}}
		})
		b.End(b.now(), "the engine stopped")
		b.stop()
		infos, _ := b.sessions()
		require.Len(t, infos, 1)
		m := infos[0].Meta
		require.Len(t, m.Diagnoses, 2)
		assert.Equal(t, time.Second, m.Diagnoses[0].At)
		assert.Equal(t, 10*time.Second, m.End.At)
		assert.Equal(t, m.End.At, m.Diagnoses[1].At)
	})
}

func TestAStoreThatRefusesIsTriedAgainAndNothingIsLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, RecorderOptions{Most: 100})
		b.Begin(b.now(), store.Meta{})
		b.read(0, time.Second)
		b.read(7, 6*time.Second) // the store refuses readings of a channel that it has no description of
		assert.Equal(t, health.Waiting, b.health.Parts()[0].State)
		assert.NotEmpty(t, b.health.Parts()[0].Why)
		b.mu.Lock()
		for len(b.chans) < 8 {
			b.chans = append(b.chans, analogChannel("late"+string(rune('0'+len(b.chans)))))
		}
		b.mu.Unlock()
		b.read(0, 20*time.Second)
		assert.Equal(t, health.Working, b.health.Parts()[0].State)
		b.stop()
		_, samples := b.sessions()
		dropped := b.health.Parts()[0].Counts["readings lost"]
		assert.Equal(t, 270, len(samples[0])+int(dropped))
		assert.Less(t, dropped, uint64(60), "only what memory could not hold, and it is counted")
	})
}
