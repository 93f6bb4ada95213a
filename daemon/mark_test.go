package daemon

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/daemon/socket"
	"underdash/store"
)

func TestMarksByHandAndBySwitch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.cfg.Analog[0].Mark = &config.Mark{Volts: 3.5, Above: true, Text: "lean"} // in a fuel cut the mixture's own output goes there
		b.start()
		require.ErrorIs(t, b.daemon.Mark("too early"), socket.ErrNoSession)
		time.Sleep(20 * time.Second)
		require.NoError(t, b.daemon.Mark("the lights"))
		time.Sleep(50 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		var byHand, bySwitch []store.Event
		for _, e := range infos[0].Meta.Events {
			switch {
			case e.Kind == "mark" && e.Source == "":
				byHand = append(byHand, e)
			case e.Kind == "mark":
				assert.Equal(t, "wideband", e.Source)
				assert.Equal(t, "lean", e.Text)
				bySwitch = append(bySwitch, e)
			}
		}
		require.Len(t, byHand, 1)
		assert.Equal(t, "the lights", byHand[0].Text)
		assert.InDelta(t, 20, byHand[0].At.Seconds(), 3)
		assert.NotEmpty(t, bySwitch)
	})
}
