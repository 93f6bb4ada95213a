package daemon

import (
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
	"underdash/store/storetest"
)

// An applied calibration counts more than what a drive finds by itself, before and after it warms up; the drive keeps both.
func TestAnAppliedCalibrationIsInForce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(30*time.Second, 1)
		o.LineLoss, o.GroundOffset = 0.03, 0.1
		b := newBubble(t, o)
		st, err := store.Open(b.cfg.Store.Path, store.Options{})
		require.NoError(t, err)
		require.NoError(t, st.Close())
		require.NoError(t, store.ApplyCalibration(b.cfg.Store.Path, store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.97, Offset: 0.1}, From: 1}, time.Now()))
		b.start()
		time.Sleep(35 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		cal := infos[0].Meta.Calibrations
		require.Len(t, cal, 3)
		assert.Equal(t, store.MethodApplied, cal[0].Method)
		assert.Equal(t, MethodWarmup, cal[1].Method)
		assert.InDelta(t, 0.99, cal[1].Gain, 0.001, "one level takes the shift for a gain")
		assert.Equal(t, MethodReferences, cal[2].Method)
		assert.InDelta(t, 0.1, cal[2].Offset, 0.01, "the car's own sensor tells the shift from a loss")
		// The session is read by the applied one also where the list is not at hand.
		r := b.compare(infos[0].ID)
		for _, s := range r.States {
			assert.InDelta(t, s.True, s.Lambda, 0.003, s.Name)
		}
		// And the next session's carried calibration is what this one found, not a copy of what was applied.
		earlier := earlierCalibrations([]store.Meta{infos[0].Meta}, b.cfg.Analog)
		assert.Equal(t, MethodReferences, earlier["wideband"].Method)
	})
}

// What was measured, or found by a drive, through another divider than is configured now says nothing of its volts.
func TestAnotherDivider(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(60*time.Second, 1))
		b.start()
		time.Sleep(35 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		metas := []store.Meta{infos[0].Meta}
		require.Contains(t, earlierCalibrations(metas, b.cfg.Analog), "wideband")
		require.NoError(t, store.ApplyCalibration(b.cfg.Store.Path, store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.96, PlugPerPin: b.cfg.Analog[0].PlugPerPin()}, From: 1}, time.Now()))

		cfg := b.cfg
		cfg.Analog = slices.Clone(cfg.Analog)
		cfg.Analog[0].Divider *= 1.04
		assert.NotContains(t, earlierCalibrations(metas, cfg.Analog), "wideband")
		var said lockedText
		o := b.o
		o.Log = slog.New(slog.NewTextHandler(&said, nil))
		for _, row := range []struct {
			cfg   config.Config
			times int
		}{{cfg, 1}, {b.cfg, 0}} {
			said = lockedText{}
			d := New(row.cfg, o)
			d.inputs = []*input{newInput(row.cfg.Analog[0], row.cfg.Analog)}
			for range 2 {
				d.mu.Lock()
				d.readAppliedLocked()
				d.mu.Unlock()
			}
			assert.Equal(t, row.times == 0, d.applied["wideband"].Gain != 0)
			assert.Equal(t, row.times, strings.Count(said.String(), "through another divider"), "said once")
		}
	})
}

// One that is applied while the daemon runs is in force from the next drive on, and withdrawing it takes it back.
func TestCalibrationsAreLookedForBeforeEveryDrive(t *testing.T) {
	b := newBubble(t, rig.Demo(20*time.Second, 1))
	st, err := store.Open(b.cfg.Store.Path, store.Options{})
	require.NoError(t, err)
	require.NoError(t, st.Close())
	correction := config.Correction{Known: 5, Seen: 4.8}
	b.cfg.Analog[0].Correction = &correction
	d := New(b.cfg, b.o)
	d.inputs = []*input{newInput(b.cfg.Analog[0], b.cfg.Analog)}
	gains := func() (all []float64) {
		d.readAppliedLocked()
		for _, c := range d.calibrationsLocked() {
			all = append(all, c.Gain)
		}
		d.inputs[0].judge(0, 0)
		return append(all, d.inputs[0].tracker.Chain().Gain)
	}
	d.carryCalibrations()
	assert.Equal(t, []float64{0.96, 0.96}, gains(), "the configured one")
	apply := func(a store.Applied) {
		a.Input = "wideband"
		require.NoError(t, store.ApplyCalibration(b.cfg.Store.Path, a, time.Now()))
	}
	apply(store.Applied{Calibration: store.Calibration{Gain: 0.95}, From: 3})
	assert.Equal(t, []float64{0.96, 0.95, 0.95}, gains())
	apply(store.Applied{Calibration: store.Calibration{Gain: 0.94}, From: 4})
	assert.Equal(t, []float64{0.96, 0.94, 0.94}, gains())
	apply(store.Applied{From: 5, Withdrawn: true})
	assert.Equal(t, []float64{0.96, 0.96}, gains())
}

// Where nothing was configured, a withdrawn calibration leaves what drives showed, or none.
func TestWithdrawnWithoutAConfiguredCorrection(t *testing.T) {
	for _, row := range []struct {
		name  string
		found *store.Calibration // by an earlier drive
		want  mixture.Chain
	}{
		{"nothing was known", nil, mixture.Chain{}},
		{"an earlier drive found one", &store.Calibration{Input: "wideband", Gain: 0.97, Offset: 0.02, Method: MethodReferences}, mixture.Chain{Gain: 0.97, Offset: 0.02}},
	} {
		t.Run(row.name, func(t *testing.T) {
			b := newBubble(t, rig.Demo(20*time.Second, 1))
			st := storetest.OpenDir(t, b.cfg.Store.Path)
			if row.found != nil {
				storetest.Session(t, st, store.Meta{Channels: recordedAs(b.cfg.Analog[0]), Calibrations: []store.Calibration{*row.found}})
			}
			d := New(b.cfg, b.o)
			d.inputs = []*input{newInput(b.cfg.Analog[0], b.cfg.Analog)}
			chain := func() mixture.Chain {
				d.readAppliedLocked()
				d.inputs[0].judge(0, 0)
				return d.inputs[0].tracker.Chain()
			}
			d.carryCalibrations()
			assert.Equal(t, row.want, chain())
			require.NoError(t, store.ApplyCalibration(b.cfg.Store.Path, store.Applied{Calibration: store.Calibration{Input: "wideband", Gain: 0.95}, From: 3}, time.Now()))
			assert.Equal(t, mixture.Chain{Gain: 0.95}, chain())
			require.NoError(t, store.ApplyCalibration(b.cfg.Store.Path, store.Applied{Calibration: store.Calibration{Input: "wideband"}, From: 4, Withdrawn: true}, time.Now()))
			assert.Equal(t, row.want, chain())
		})
	}
}

// What the configured resistances lose is reckoned with where nothing better is known: 1 kΩ into 30 kΩ leaves 0.968 (derived).
func TestModelledLoss(t *testing.T) {
	b := newBubble(t, rig.Demo(20*time.Second, 1))
	st, err := store.Open(b.cfg.Store.Path, store.Options{})
	require.NoError(t, err)
	require.NoError(t, st.Close())
	b.cfg.Analog[0].Ohms = config.Ohms{Output: 1000, Divider: 30000}
	d := New(b.cfg, b.o)
	d.inputs = []*input{newInput(b.cfg.Analog[0], b.cfg.Analog)}
	d.carryCalibrations()
	d.inputs[0].judge(0, 0)
	assert.InDelta(t, 0.9677, d.inputs[0].tracker.Chain().Gain, 0.0001, "live too")
	all := d.calibrationsLocked()
	require.Len(t, all, 1)
	assert.Equal(t, MethodModelled, all[0].Method)
	assert.InDelta(t, 0.9677, all[0].Gain, 0.0001)
}

// A drive shows by itself what its wiring does, with nobody measuring anything.
func TestADriveIsCheckedByWhatItShows(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(10*time.Minute, 3)
		o.LineLoss, o.GroundOffset = 0.06, 0
		b := newBubble(t, o)
		b.start()
		time.Sleep(10*time.Minute + 5*time.Second)
		require.Len(t, b.stop(), 1)
		c, err := calibration.CheckSessions(t.Context(), calibration.Drives{Dir: b.cfg.Store.Path}, b.cfg.Analog[0], 5, 14.7)
		require.NoError(t, err)
		assert.Equal(t, 1, c.Showing)
		assert.Greater(t, len(c.Levels), 2, "%v", c.Levels)
		assert.True(t, c.Usable)
		assert.InDelta(t, 0.94, c.Gain, 0.01)
		assert.Contains(t, c.Summary, "loses")
	})
}
