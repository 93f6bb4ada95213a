package daemon

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/store"
)

// A car that is parked over night hears no request, and the drive next morning is logged from its start. It may take 25 s
// where nothing but the voltage of an adapter at low power tells: that is the price of the battery, see the table of faults.
func TestANightInTheCarPark(t *testing.T) {
	notUnderRace(t)
	for _, row := range []struct {
		name     string
		night    time.Duration
		wideband bool
		parking  Parking
		late     time.Duration // the first reading after the engine's start, at the most
		sleeps   bool
	}{
		{"the adapter is put to low power, the wideband tells", 2 * time.Hour, true, Parking{}, 5 * time.Second, true},
		{"the adapter stays awake, its voltage tells", 12 * time.Hour, false, Parking{SleepAfter: -1}, 5 * time.Second, false},
		{"the adapter is put to low power, its voltage tells", 2 * time.Hour, false, Parking{}, 25 * time.Second, true},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				night := row.night
				if testing.Short() || raceEnabled {
					night = min(night, 2*time.Hour)
				}
				o := rig.Demo(time.Minute, 1)
				o.Again, o.RefreshRate = time.Minute+night, 4
				b := newBubble(t, o)
				b.cfg.Analog[0].Rate = 4
				if !row.wideband {
					b.cfg.Analog = nil
				}
				b.o.Parking = row.parking
				b.start()
				requests := func() (n int) {
					for _, count := range b.car.Adapter().Heard().Services {
						n += count
					}
					return n
				}
				time.Sleep(90 * time.Second) // the drive, and half a minute for the car to be parked
				before := requests()
				require.NotZero(t, before)
				time.Sleep(night - 31*time.Second)
				assert.Equal(t, before, requests(), "a parked car hears no request")
				heard := b.car.Adapter().Heard()
				t.Logf("during the night the voltage was read %d times, the adapter put to sleep %d times", heard.AT["RV"], heard.AT["LP"])
				if row.sleeps {
					assert.Less(t, heard.AT["RV"], int(night.Seconds()*0.4))
					assert.NotZero(t, heard.AT["LP"])
				} else {
					assert.Zero(t, heard.AT["LP"])
				}
				time.Sleep(75 * time.Second) // the drive next morning
				infos := b.stop()
				require.Len(t, infos, 2)
				starts := b.car.Truth().Phases()[1].From + o.Again // the starter turns
				first := firstOBD(t, b, infos[1])
				assert.LessOrEqual(t, first-starts, row.late)
				t.Logf("first reading %v after the starter", first-starts)
				r := b.compare(infos[1].ID)
				assert.Zero(t, r.OBD.Differ)
				assert.Zero(t, r.OBD.Late)
			})
		})
	}
}

// firstOBD is when a session's first reading from the car was taken, on the drive's clock.
func firstOBD(t *testing.T, b *bubble, info store.Info) time.Duration {
	path, err := store.Find(b.cfg.Store.Path, info.ID)
	require.NoError(t, err)
	r, err := store.OpenReader(path)
	require.NoError(t, err)
	defer r.Close()
	zero := r.Meta().Anchors[0].UTC.Add(-r.Meta().Anchors[0].At).Sub(b.car.Truth().Began().UTC())
	for s, err := range r.Samples() {
		require.NoError(t, err)
		if r.Meta().Channels[s.Channel].OBD != nil {
			return zero + s.At
		}
	}
	t.Fatal("nothing was read from the car")
	return 0
}
