package daemon

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/analog/mixture"
	"underdash/daemon/rig"
	"underdash/store"
	"underdash/store/derive"
)

// delayCell is one place of the speed and load range.
type delayCell struct{ rpm, kPa int }

// delayError is the root mean square of a model's errors over the cells of speed and load that a drive comes through with fuel burnt,
// each cell counting once, in seconds.
func delayError(m mixture.DelayModel, truth *rig.Truth, lag time.Duration) float64 {
	sums, counts := map[delayCell]float64{}, map[delayCell]float64{}
	for at := time.Duration(0); at < truth.Length(); at += 100 * time.Millisecond {
		s := truth.At(at)
		if !s.Running || s.FuelCut || s.Delay == 0 {
			continue
		}
		cell := delayCell{int(s.RPM / 500), int(s.MAP / 10)}
		d := m.Total(s.RPM, mixture.ExhaustFlow(s.MAF, s.LambdaCylinder, 14.05)) - s.Delay - lag.Seconds()
		sums[cell] += d * d
		counts[cell]++
	}
	squares := 0.0
	for cell, sum := range sums {
		squares += sum / counts[cell]
	}
	return math.Sqrt(squares / float64(len(sums)))
}

// TestNumbersMixtureDelay measures whole drives of the daemon, each with a pipe, a sensor and a chain of its own: how well the delay is
// known after one.
func TestNumbersMixtureDelay(t *testing.T) {
	quick, seed := numbersMode(t)
	drives, bound := 12, 0.020
	if quick {
		drives, bound = 2, 0.030
	}
	var worst, stated, squares, defaults float64
	fitted := 0
	for i := range drives {
		synctest.Test(t, func(t *testing.T) {
			o := randomChain(seed<<20+uint64(i), 20*time.Minute)
			r := rand.New(rand.NewPCG(o.Seed, 0xDE))
			o.PipeLitres, o.SensorLag = 1.5+2.5*r.Float64(), 50*time.Millisecond+time.Duration(r.Int64N(int64(70*time.Millisecond)))
			b := newBubble(t, o)
			b.start()
			time.Sleep(o.Length + 5*time.Second)
			infos := b.stop()
			require.Len(t, infos, 1)
			path, err := store.Find(b.cfg.Store.Path, infos[0].ID)
			require.NoError(t, err)
			reader, err := store.OpenReader(path)
			require.NoError(t, err)
			defer reader.Close()
			session, err := derive.New(reader)
			require.NoError(t, err)
			observer, err := session.Observe("wideband")
			require.NoError(t, err)
			f := observer.Delay()
			if f.Fitted {
				fitted++
			}
			off := delayError(f.Model, b.car.Truth(), o.SensorLag)
			worst, stated, squares = max(worst, off), max(stated, f.Sigma), squares+off*off
			defaults = max(defaults, delayError(mixture.DefaultDelay(), b.car.Truth(), o.SensorLag))
			t.Logf("%.1f l, lag %v: %+v, off by %.1f ms RMS", o.PipeLitres, o.SensorLag, f.Model, 1000*off)
		})
	}
	ms := func(s float64) string { return fmt.Sprintf("%.1f ms", 1000*s) }
	number(fmt.Sprintf("delay fit, RMS over speed and load, worst of %d drives of 20 min", drives), ms(worst), ms(bound), worst <= bound && fitted == drives)
	rms := math.Sqrt(squares / float64(drives))
	number(fmt.Sprintf("its stated uncertainty against an RMS error of %s", ms(rms)), ms(stated), "at least that", stated >= rms)
	t.Logf("the default without a fit is off by %s at the worst", ms(defaults))
}
