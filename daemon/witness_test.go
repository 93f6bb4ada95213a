package daemon

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/store"
	"underdash/store/derive"
)

// What a drive showed while it was recorded is what it shows when it is read back, to within what comes of readings that were kept from
// before the drive began.
func TestADriveShowsTheSameReadBack(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(12*time.Minute, 8)
		o.LineLoss, o.GroundOffset = 0.08, -0.06
		b := newBubble(t, o)
		b.start()
		time.Sleep(o.Length + 5*time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		meta := infos[0].Meta
		path, err := store.Find(b.cfg.Store.Path, infos[0].ID)
		require.NoError(t, err)
		r, err := store.OpenReader(path)
		require.NoError(t, err)
		defer r.Close()
		s, err := derive.NewWith(r, derive.Options{Aligned: true})
		require.NoError(t, err)
		back, err := s.Observe("wideband")
		require.NoError(t, err)

		levels := back.Levels()
		require.Len(t, meta.References, len(levels))
		kinds := map[string]bool{}
		for i, l := range levels {
			was := meta.References[i]
			kinds[was.Kind] = true
			assert.Equal(t, was.Kind, string(l.Kind))
			assert.InDelta(t, was.Known, l.Known, 0.01, was.Kind)
			assert.InDelta(t, was.Seen-was.Known, l.Seen-l.Known, 0.002, was.Kind)
			assert.InDelta(t, (1-o.LineLoss)*l.Known+o.GroundOffset, l.Seen, 0.01, was.Kind)
		}
		for _, k := range []mixture.Kind{mixture.WarmupKind, mixture.CruiseKind, mixture.FuelCutKind, mixture.OwnSensorKind} {
			assert.True(t, kinds[string(k)], k)
		}
		require.Len(t, meta.Delays, 1)
		assert.InDelta(t, meta.Delays[0].Gas, back.Delay().Model.Gas, 0.02)
		assert.InDelta(t, meta.Delays[0].Lag, back.Delay().Model.Lag, 0.003)

		last := meta.Calibrations[len(meta.Calibrations)-1]
		assert.Equal(t, MethodReferences, last.Method)
		assert.Contains(t, last.Finding, mixture.GainLike.String())
		agrees(t, b.compare(infos[0].ID), 0)
		alignedIsBetter(t, s, b.car.Truth(), meta)
	})
}

// alignedIsBetter compares λ with the mixture that was burnt at the same instant: aligned it must be much nearer than plain where the
// mixture moves.
func alignedIsBetter(t *testing.T, s *derive.Session, truth *rig.Truth, meta store.Meta) {
	a := meta.Anchors[0]
	zero := a.UTC.Add(-a.At).Sub(truth.Began().Round(0))
	squares, n := map[derive.Kind]float64{}, map[derive.Kind]float64{}
	for v, err := range s.Values() {
		require.NoError(t, err)
		kind := s.Channels()[v.Channel].Kind
		if kind != derive.Lambda && kind != derive.Aligned || v.State != "" {
			continue
		}
		at := v.At + zero
		was := truth.At(at)
		if !was.Running || was.FuelCut || truth.At(at+time.Second).FuelCut || truth.At(at-time.Second).FuelCut {
			continue
		}
		d := v.Number - was.LambdaCylinder
		squares[kind] += d * d
		n[kind]++
	}
	require.Greater(t, n[derive.Aligned], 0.9*n[derive.Lambda])
	plain, aligned := squares[derive.Lambda]/n[derive.Lambda], squares[derive.Aligned]/n[derive.Aligned]
	assert.Less(t, aligned, plain/4, "mean squares: aligned %v, plain %v", aligned, plain)
}

// A leak shows as an idle that is leaner than the cruise, and is told.
func TestALeakIsNoted(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(20*time.Minute, 8)
		o.Leak = 0.04
		b := newBubble(t, o)
		b.start()
		time.Sleep(o.Length + 5*time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		var texts []string
		for _, e := range infos[0].Meta.Events {
			texts = append(texts, e.Text)
		}
		assert.Contains(t, strings.Join(texts, "\n"), "Idling looks leaner than cruising")
	})
}

// Settled closed loop is held at λ 1.000 ± 0.005, and 0.02 off is an alarm (a published analysis of one car's logs: its means over half a
// minute; and common practice).
func TestClosedLoopThatIsOff(t *testing.T) {
	a := newBubble(t, rig.Demo(20*time.Second, 1)).cfg.Analog[0]
	seen := func(k mixture.Kind, lambda float64) mixture.Observed {
		return mixture.Observed{Level: mixture.Level{Kind: k, Known: a.Law().Volts(1), Seen: a.Law().Volts(lambda)}}
	}
	for _, row := range []struct {
		name  string
		now   []mixture.Observed
		chain mixture.Chain
		says  []string
	}{
		{"as held", []mixture.Observed{seen(mixture.CruiseKind, 1.005), seen(mixture.IdleKind, 0.995)}, mixture.Chain{}, nil},
		{"just within", []mixture.Observed{seen(mixture.CruiseKind, 0.9801), seen(mixture.IdleKind, 1.0199)}, mixture.Chain{}, nil},
		{"a lean idle", []mixture.Observed{seen(mixture.CruiseKind, 1), seen(mixture.IdleKind, 1.021)}, mixture.Chain{}, []string{"Idling in settled closed loop reads λ 1.021"}},
		{"a rich cruise", []mixture.Observed{seen(mixture.CruiseKind, 0.97)}, mixture.Chain{}, []string{"Cruising in settled closed loop reads λ 0.970"}},
		{"both", []mixture.Observed{seen(mixture.CruiseKind, 0.97), seen(mixture.IdleKind, 0.96)}, mixture.Chain{}, []string{"Cruising", "Idling"}},
		{"a line loss that is corrected", []mixture.Observed{seen(mixture.CruiseKind, 0.97)}, mixture.Chain{Gain: a.Law().Volts(0.97) / a.Law().Volts(1)}, nil},
		{"a correction that makes it worse", []mixture.Observed{seen(mixture.CruiseKind, 1)}, mixture.Chain{Gain: 0.94}, []string{"Cruising"}},
		{"a fuel cut is no closed loop", []mixture.Observed{seen(mixture.FuelCutKind, 1.3), seen(mixture.OwnSensorKind, 0.8)}, mixture.Chain{}, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			w := newWitnesses([]config.Analog{a})[a.Name]
			w.began = row.chain
			texts := w.offLoop(row.now)
			require.Len(t, texts, len(row.says), "%v", texts)
			for i, words := range row.says {
				assert.Contains(t, texts[i], words)
			}
			assert.Empty(t, w.offLoop(row.now), "once a drive")
			w.forget()
			assert.Len(t, w.offLoop(row.now), len(row.says), "the next drive tells again")
		})
	}
}

// An engine that cruises at λ 0.97 in closed loop, since its own sensor misleads it, is an alarm in the drive's notes; one at 1 is none.
func TestARichCruiseIsNoted(t *testing.T) {
	notUnderRace(t)
	t.Parallel()
	for name, bias := range map[string]float64{"as it should be": 0, "rich": -0.03} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := rig.Demo(12*time.Minute, 8)
				o.ClosedLoopBias, o.LineLoss, o.GroundOffset = bias, 0, 0
				b := newBubble(t, o)
				b.start()
				time.Sleep(o.Length + 5*time.Second)
				infos := b.stop()
				require.Len(t, infos, 1)
				told := 0
				for _, e := range infos[0].Meta.Events {
					if strings.Contains(e.Text, "Cruising in settled closed loop reads λ 0.97") {
						assert.Equal(t, "wideband", e.Source)
						told++
					}
				}
				assert.Equal(t, bias != 0, told == 1, "%v", infos[0].Meta.Events)
			})
		})
	}
}
