package session

import (
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/store"
)

// A drive whose session takes no more goes on in another one: no reading is lost or there twice, the description comes
// along, and the drives after it do not wait.
func TestADriveGoesOnWhenItsFileIsAsLargeAsItMayBe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &bench{t: t, dir: t.TempDir(), start: time.Now(), chans: []store.Channel{analogChannel("wideband"), analogChannel("noise")}}
		st, err := store.Open(b.dir, store.Options{Largest: 300_000})
		require.NoError(t, err)
		b.run(st, RecorderOptions{})
		r := rand.New(rand.NewPCG(1, 1))
		read := func(span time.Duration) {
			for range int(span / time.Second) {
				for range 200 {
					b.Put(store.Sample{At: b.now(), Channel: 1, Code: r.Int64()}) // that no codec makes shorter
				}
				b.read(0, time.Second)
			}
		}
		time.Sleep(100 * time.Second)
		began := b.now()
		b.Begin(began, store.Meta{Vehicle: "test car", SinceBoot: 7 * time.Second,
			Anchors:      []store.Anchor{{At: began, UTC: time.Now().UTC(), Source: "system"}},
			Calibrations: []store.Calibration{{Input: "wideband", At: began - time.Second, Gain: 0.97, Method: "configured"}},
			Static:       []store.Static{{Service: 9, PID: 2, Payload: []byte("WVW")}},
		})
		b.Gap("obd", b.now(), "no such device")
		read(201 * time.Second)
		b.GapOver("obd", b.now())
		require.NoError(t, b.Mark(b.now(), "", "home"))
		b.Pause(b.now())
		b.read(0, 20*time.Second)
		b.Resume(b.now())
		read(4 * time.Second)
		b.End(b.now(), "the engine stopped")
		synctest.Wait()
		_, on := b.Recording()
		assert.False(t, on)
		assert.Equal(t, health.Working, b.health.Parts()[0].State)
		time.Sleep(time.Minute)
		b.Begin(b.now(), store.Meta{})
		b.read(0, 10*time.Second)
		b.stop()

		infos, samples := b.sessions()
		require.Greater(t, len(infos), 3)
		drive := infos[:len(infos)-1]
		readings, marks, ended := 0, 0, began
		for i, info := range drive {
			m := info.Meta
			assert.Equal(t, store.Complete, info.State)
			zero := m.SinceBoot - 7*time.Second // on the daemon's clock
			assert.Equal(t, ended, zero, "no time is between them")
			ended = zero + m.End.At
			for _, x := range samples[i] {
				require.True(t, x.At >= 0 && x.At <= m.End.At)
				if x.Channel == 0 {
					require.Equal(t, zero+x.At, time.Duration(x.Code)*time.Millisecond)
				}
			}
			readings += len(samples[i])
			require.Len(t, m.Channels, 2)
			assert.Equal(t, "test car", m.Vehicle)
			require.Len(t, m.Anchors, 1)
			assert.Equal(t, began-zero, m.Anchors[0].At)
			require.Len(t, m.Calibrations, 1)
			assert.Equal(t, began-zero-time.Second, m.Calibrations[0].At)
			assert.Len(t, m.Static, 1)
			notes := events(m, "note")
			require.Len(t, notes, 1)
			if i == 0 {
				assert.Equal(t, "the drive begins", notes[0].Text)
			} else {
				assert.Contains(t, notes[0].Text, "the drive goes on from session "+drive[i-1].ID)
			}
			if i < len(drive)-1 {
				assert.Contains(t, m.End.Reason, "the drive goes on in the next session")
			} else {
				assert.Equal(t, "the engine stopped", m.End.Reason)
				assert.Equal(t, began+225*time.Second, ended)
			}
			marks += len(events(m, "mark"))
			for _, e := range m.Events {
				assert.True(t, e.At >= 0 && e.Until >= e.At && e.Until <= m.End.At, "%+v", e)
			}
			if g := events(m, "gap"); assert.Len(t, g, 1, i) && i < len(drive)-1 {
				assert.Equal(t, []time.Duration{0, m.End.At}, []time.Duration{g[0].At, g[0].Until})
			}
		}
		assert.Equal(t, 1, marks)
		assert.Equal(t, 205*210+101, readings, "and those from just before the engine ran again")
		assert.Zero(t, b.health.Parts()[0].Counts["readings lost"])
		assert.Equal(t, "the daemon was stopped", infos[len(infos)-1].Meta.End.Reason)
		assert.Len(t, samples[len(infos)-1], 100)
	})
}
