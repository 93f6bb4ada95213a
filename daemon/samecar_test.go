package daemon

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/daemon/rig"
	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
	"underdash/store/storetest"
)

// recordedAs is an input as a session's channel keeps it.
func recordedAs(a config.Analog) []store.Channel {
	return []store.Channel{{Name: a.Name, Analog: &store.AnalogChannel{Kind: a.Kind, ScaleMillivolts: 0.125, Divider: a.PlugPerPin(), WarmupVolts: a.Warmup,
		Low: store.Point{Volts: a.Low.Volts, Value: a.Low.Value}, High: store.Point{Volts: a.High.Volts, Value: a.High.Value}}}}
}

// numbered is what an engine computer tells of its identification number; nothing where there is none.
func numbered(vin string) []store.Static {
	if vin == "" {
		return nil
	}
	return []store.Static{{From: 0x7E8, Service: byte(obd.VehicleInfo), PID: byte(pid.InfoVIN), Payload: append([]byte{0x49, 0x02, 0x01}, vin...)}}
}

// A logger that was moved to another car does not take the first one's exhaust and grounds for its own.
func TestAnotherCarInheritsNothing(t *testing.T) {
	// Invented; the region code ZZ is no maker's (ISO 3780, from memory).
	const other = "ZZ9VRTLXCAR000099"
	found := func(gain, gas float64, vin string, a config.Analog) store.Meta {
		return store.Meta{Channels: recordedAs(a), Static: numbered(vin),
			Calibrations: []store.Calibration{{Input: a.Name, Gain: gain, Method: MethodReferences}},
			Delays:       []store.Delay{{Input: a.Name, Gas: gas, Lag: 0.06, Sigma: 0.01, Method: "fitted"}}}
	}
	for _, row := range []struct {
		name   string
		vins   []string // of the earlier drives, whose gains are 0.99, 0.98 and so on
		gain   float64  // that is carried over; 0 for none
		always bool     // a session begins before the car has told its number
	}{
		{"the same car", []string{rig.VIN}, 0.99, false},
		{"a car that does not tell", []string{""}, 0.99, false},
		{"another car", []string{other}, 0, false},
		{"another car, a session that has begun", []string{other}, 0, true},
		{"another car after this one", []string{rig.VIN, other}, 0.99, false},
		{"another car after this one, a session that has begun", []string{rig.VIN, other}, 0.99, true},
		{"this one after another", []string{other, rig.VIN}, 0.98, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(20*time.Second, 1))
				if row.always {
					b.cfg.Session.Begin = config.Always
				}
				st := storetest.OpenDir(t, b.cfg.Store.Path)
				for i, vin := range row.vins {
					storetest.Session(t, st, found(0.99-0.01*float64(i), 1.2+0.1*float64(i), vin, b.cfg.Analog[0]))
				}
				require.NoError(t, st.Close())
				b.start()
				time.Sleep(8 * time.Second)
				infos := b.stop()
				require.Len(t, infos, len(row.vins)+1)
				m := infos[len(row.vins)].Meta
				var carried []float64
				for _, c := range m.Calibrations {
					if c.Method == MethodCarried {
						carried = append(carried, c.Gain)
					}
				}
				if row.gain == 0 {
					assert.Empty(t, carried)
					assert.Empty(t, m.Delays)
					return
				}
				assert.Equal(t, []float64{row.gain}, carried)
				require.Len(t, m.Delays, 1)
				assert.InDelta(t, 1.2+0.1*(0.99-row.gain)/0.01, m.Delays[0].Gas, 1e-9)
			})
		})
	}
}

func TestBetterDelay(t *testing.T) {
	fit := func(gas, sigma float64) store.Delay {
		return store.Delay{Cycle: 1, Gas: gas, Lag: 0.06, Sigma: sigma, Method: "fitted"}
	}
	well, badly := fit(1.2, 0.005), fit(1.22, 0.015)
	for _, row := range []struct {
		name  string
		old   *store.Delay
		newer store.Delay
		want  store.Delay
	}{
		{"the first", nil, badly, badly},
		{"a worse one that agrees", &well, badly, well},
		{"a better one", &badly, well, well},
		{"as good", &well, fit(1.21, 0.005), fit(1.21, 0.005)},
		{"a worse one of another exhaust", &well, fit(2.4, 0.015), fit(2.4, 0.015)}, // 0.35 s more at 3 g/s (derived)
	} {
		t.Run(row.name, func(t *testing.T) {
			assert.Equal(t, row.want, *betterDelay(row.old, row.newer))
		})
	}
}

// A drive whose fit is worse than an earlier one's does not replace it, neither in what it is read by nor for the drives after it.
func TestTheBestDelayIsCarriedOn(t *testing.T) {
	a := newBubble(t, rig.Demo(20*time.Second, 1)).cfg.Analog[0]
	meta := func(gas, sigma float64) store.Meta {
		return store.Meta{Channels: recordedAs(a), Delays: []store.Delay{{Input: a.Name, At: time.Minute, Cycle: 1, Gas: gas, Lag: 0.06, Sigma: sigma, Method: "fitted"}}}
	}
	w := newWitnesses([]config.Analog{a})[a.Name]
	w.recall([]store.Meta{meta(1.2, 0.005), meta(1.22, 0.015)})
	assert.Equal(t, 1.2, w.delay.Gas)
	assert.Equal(t, time.Minute, w.delay.At)
	assert.Zero(t, w.carriedDelay().At)
}
