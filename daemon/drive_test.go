package daemon

import (
	"context"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/daemon/rig/compare"
	"underdash/obd/obdtest"
	"underdash/store"
	"underdash/store/derive"
)

// mostLate is how many of so many instants may lie outside their bound in a test that takes its time for real: a busy machine lets the
// virtual adapter and the daemon wait for a processor by turns, and one that hears late is no transport that the bound allows for. In
// simulated time none may.
func mostLate(readings int) int { return 2 + readings/20 }

// agrees holds a session to the truth: every value as it was sent, every instant but so many within its bound, the mixture
// within 0.01 λ in steady states, and no λ while the controller heated.
func agrees(t *testing.T, r compare.Report, late int) {
	t.Helper()
	assert.NotZero(t, r.OBD.Readings)
	assert.Zero(t, r.OBD.Differ, "values that the engine computer did not send")
	assert.LessOrEqual(t, r.OBD.Late, late, "instants outside their stated bound")
	assert.Zero(t, r.EarlyLambda, "λ while the controller heated")
	assert.NotZero(t, r.Warming)
	require.Len(t, r.States, 3)
	for _, s := range r.States {
		assert.NotZero(t, s.Readings, s.Name)
		assert.InDelta(t, s.True, s.Lambda, 0.01, s.Name)
	}
}

func TestAnHoursDriveIsLoggedAsItWas(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		length := time.Hour
		if testing.Short() || raceEnabled {
			length = 10 * time.Minute
		}
		b := newBubble(t, rig.Demo(length, 7))
		b.start()
		time.Sleep(length + 10*time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		assert.Equal(t, store.Complete, infos[0].State)
		assert.Equal(t, "the engine stopped", infos[0].Meta.End.Reason)
		assert.Equal(t, "E10", infos[0].Meta.Fuel.Name)
		assert.Contains(t, infos[0].Meta.Adapter.Version, "ELM327")
		r := b.compare(infos[0].ID)
		agrees(t, r, 0)
		assert.Greater(t, r.OBD.Channels, 15)
		for _, c := range r.Channels {
			if c.Name == "wideband" {
				assert.InDelta(t, 100, c.Rate, 0.5)
			}
		}
		cal := infos[0].Meta.Calibrations
		require.Len(t, cal, 2)
		assert.InDelta(t, 0.971, cal[0].Gain, 0.001, "3 % lost, and 5 mV of ground offset at 5 V look like 2.9 %")
		assert.Equal(t, MethodWarmup, cal[0].Method)
		assert.Equal(t, MethodReferences, cal[1].Method, "and then the drive showed more")
		assert.InDelta(t, 0.970, cal[1].Gain, 0.003)
		assert.InDelta(t, 0.005, cal[1].Offset, 0.010)
		assert.Equal(t, "line loss", cal[1].Finding)
		require.Len(t, infos[0].Meta.Delays, 1)
		assert.Equal(t, derive.MethodFitted, infos[0].Meta.Delays[0].Method)
	})
}

func TestTwoDrivesMakeTwoSessions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 3))
		b.start()
		time.Sleep(70 * time.Second)
		first := b.stop()
		require.Len(t, first, 1)

		// The next morning: the same store, the controller still hot, so that the correction is carried over.
		b2 := newBubble(t, rig.Demo(time.Minute, 4))
		b2.cfg.Store.Path = b.cfg.Store.Path
		b2.start()
		time.Sleep(70 * time.Second)
		both := b2.stop()
		require.Len(t, both, 2)
		assert.Less(t, both[0].ID, both[1].ID)
		cal := both[1].Meta.Calibrations
		require.Len(t, cal, 2)
		assert.Equal(t, MethodCarried, cal[0].Method)
		assert.InDelta(t, 0.970, cal[0].Gain, 0.003)
		assert.Equal(t, MethodReferences, cal[1].Method, "found again, by this drive and the one before")
		assert.Len(t, cal[1].Levels, len(both[0].Meta.References)+len(both[1].Meta.References))
		assert.NotEmpty(t, both[1].Meta.References)
	})
}

func TestSIGTERMInMidDriveLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 5))
		b.start()
		time.Sleep(31700 * time.Millisecond)
		infos := b.stop()
		require.Len(t, infos, 1)
		assert.Equal(t, store.Complete, infos[0].State)
		assert.Equal(t, "the daemon was stopped", infos[0].Meta.End.Reason)
		r := b.compare(infos[0].ID)
		for _, c := range r.Channels {
			if c.Name == "wideband" {
				assert.InDelta(t, 31.7*100, c.Readings, 25)
			}
		}
	})
}

// A car that gives no answer, and no wideband: the voltage at the adapter tells that the engine runs. 24 V are two
// batteries in series.
func TestAMuteCarsDriveIsToldByTheVoltage(t *testing.T) {
	for _, row := range []struct {
		name           string
		resting, turns float64 // V
		drives         int
	}{
		{"an alternator charges the battery", 12.6, 14.0, 1},
		{"a lorry's", 25.2, 28.0, 1},
		{"a battery at rest all the time", 12.6, 12.7, 0},
		{"a lorry's at rest all the time", 25.2, 25.4, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				began := time.Now()
				adapter := obdtest.New(obdtest.Options{Volts: func(at time.Time) float64 {
					if d := at.Sub(began); d > 20*time.Second && d < 3*time.Minute {
						return row.turns
					}
					return row.resting
				}})
				b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) { return adapter.Dial(), nil }
				a := b.cfg.Analog[0]
				b.cfg.Analog = []config.Analog{{Name: "oil", Kind: config.Linear, Unit: "kPa", Device: a.Device, Channel: a.Channel, Divider: 1, Rate: 10,
					Low: config.Point{Volts: 0.5, Value: 0}, High: config.Point{Volts: 4.5, Value: 1000}}}
				b.start()
				time.Sleep(6 * time.Minute)
				infos := b.stop()
				adapter.Wait()
				require.Len(t, infos, row.drives)
				for _, i := range infos {
					assert.Equal(t, store.Complete, i.State)
					assert.Equal(t, "the engine stopped", i.Meta.End.Reason)
					assert.InDelta(t, 160, i.Meta.End.At.Seconds(), 75, "found within seconds, over within a minute")
					assert.Greater(t, i.Samples, uint64(1000))
				}
			})
		})
	}
}
