package daemon

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/obd/obdtest"
	"underdash/store"
)

// What a channel's class wants, what was asked for and what came is in the daemon's word while it runs and in the
// session; an outage counts for neither.
func TestHowTheCarWasAskedIsToldAndKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.start()
		time.Sleep(20 * time.Second)
		now := b.daemon.Status().Polling
		require.NotEmpty(t, now)
		assert.Equal(t, "01 0C from 7E8", now[0].Parameter)
		assert.Equal(t, "fast", now[0].Class)
		assert.Positive(t, now[0].Got)
		assert.GreaterOrEqual(t, now[0].Asked, now[0].Got)
		assert.Positive(t, now[0].WorstGap)
		text, err := os.ReadFile(filepath.Join(b.cfg.Store.Path, StatusFile))
		require.NoError(t, err)
		var written Status
		require.NoError(t, json.Unmarshal(text, &written))
		assert.Empty(t, written.Polling, "the medium is not worn by counters")

		b.car.Adapter().SetFault(obdtest.Dead)
		time.Sleep(10 * time.Second)
		assert.Empty(t, b.daemon.Status().Polling, "nothing is asked")
		b.car.Adapter().SetFault(obdtest.NoFault)
		time.Sleep(40 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		m := infos[0].Meta
		require.Len(t, m.Polled, len(now), "one row a parameter, over both links")
		heard := map[store.OBDChannel]uint64{}
		for _, r := range m.Rates {
			if c := m.Channels[r.Channel].OBD; c != nil && c.Part == 0 {
				heard[store.OBDChannel{Service: c.Service, PID: c.PID, From: c.From}] = r.Readings
			}
		}
		for i, p := range m.Polled {
			assert.Equal(t, now[i].Wanted, p.Wanted)
			assert.GreaterOrEqual(t, p.Requests+1, p.Readings, "a reading may begin the drive that was asked for before")
			if p.Wanted > 0 {
				assert.InDelta(t, p.Wanted, p.Asked, 0.4*p.Wanted, "%02X", p.PID)
			}
			// The session has a few more, from just before the drive began, and lacks those after its end was seen.
			stored := heard[store.OBDChannel{Service: p.Service, PID: p.PID, From: p.From}]
			assert.InDelta(t, stored, p.Readings, 2+0.1*float64(stored), "%02X", p.PID)
		}
	})
}
