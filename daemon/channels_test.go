package daemon

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
)

// What the configuration names is what a session holds of the engine computer, and each class at its rate.
func TestConfiguredChannels(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const length = 30 * time.Second
		b := newBubble(t, rig.Demo(length, 5))
		b.cfg.OBD = config.OBD{Fast: []string{"RPM", "MAP"}, Normal: []string{"FUELSYS1"}, Slow: []string{"ECT"}}
		b.start()
		time.Sleep(length + 5*time.Second)
		infos := b.stop()
		require.NotEmpty(t, infos)

		path, err := store.Find(b.cfg.Store.Path, infos[0].ID)
		require.NoError(t, err)
		r, err := store.OpenReader(path)
		require.NoError(t, err)
		defer r.Close()
		count := map[byte]int{}
		channels := r.Meta().Channels
		for s, err := range r.Samples() {
			require.NoError(t, err)
			if c := channels[s.Channel]; c.OBD != nil && c.OBD.Service == 1 {
				count[c.OBD.PID]++
			}
		}
		seconds := 25.0
		assert.Greater(t, float64(count[0x0C]), 20*seconds)
		assert.Greater(t, float64(count[0x0B]), 20*seconds)
		assert.Greater(t, float64(count[0x03]), 1.5*seconds)
		assert.Less(t, float64(count[0x03]), 3*seconds)
		assert.Greater(t, float64(count[0x05]), 0.3*seconds)
		assert.Less(t, float64(count[0x05]), 1*seconds)
		assert.NotContains(t, count, byte(0x10), "not named")
	})
}
