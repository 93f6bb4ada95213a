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
	"underdash/store/derive"
)

// Two widebands for two banks and a sender of another kind, all on one clock.
func TestAnyNumberOfInputs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		second := b.cfg.Analog[0]
		second.Name, second.Rate = "wideband bank 2", 50
		pressure := config.Analog{Name: "fuel pressure", Kind: config.Linear, Unit: "kPa", Device: second.Device, Channel: second.Channel,
			Divider: 1.5, Low: config.Point{Volts: 0.5, Value: 0}, High: config.Point{Volts: 4.5, Value: 700}, Rate: 10}
		b.cfg.Analog = append(b.cfg.Analog, second, pressure)
		b.start()
		time.Sleep(70 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		corrected := map[string]int{}
		for _, c := range infos[0].Meta.Calibrations {
			corrected[c.Input]++
		}
		require.Equal(t, map[string]int{"wideband": 2, "wideband bank 2": 2}, corrected, "each wideband has its own corrections: by its warm-up level, then by what the drive showed")

		r := b.compare(infos[0].ID)
		rates := map[string]float64{}
		for _, c := range r.Channels {
			rates[c.Name] = c.Rate
		}
		assert.InDelta(t, 100, rates["wideband"], 0.5)
		assert.InDelta(t, 50, rates["wideband bank 2"], 0.5)
		assert.InDelta(t, 10, rates["fuel pressure"], 0.1)
		assert.Contains(t, rates, "wideband bank 2 lambda")
		assert.NotContains(t, rates, "fuel pressure lambda")

		path, err := store.Find(b.cfg.Store.Path, store.Last)
		require.NoError(t, err)
		reader, err := store.OpenReader(path)
		require.NoError(t, err)
		defer reader.Close()
		s, err := derive.New(reader)
		require.NoError(t, err)
		for v, err := range s.Values() {
			require.NoError(t, err)
			if c := s.Channels()[v.Channel]; c.Name == "fuel pressure" && v.At > time.Second {
				require.Equal(t, "kPa", c.Unit)
				// 4.85 V at the plug, the warm-up level after the line's loss: (4.855 - 0.5) / 4 x 700.
				require.InDelta(t, (4.855-0.5)/4*700, v.Number, 5)
				break
			}
		}
	})
}

func TestAlwaysRecordsFromTheFirstReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.cfg.Session.Begin = config.Always
		b.start()
		time.Sleep(20 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		assert.Greater(t, infos[0].Length, 19*time.Second)
	})
}
