package compare

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/daemon/timebase"
	"underdash/store"
	"underdash/store/derive"
)

// recorded is a session made from the truth itself, to be tampered with.
type recorded = derive.Snapshot

// record asks the virtual car for its engine speed twenty times and writes down what it sent, as it was sent.
func record(t *testing.T) (r recorded, truth *rig.Truth) {
	car := rig.New(rig.Demo(time.Minute, 1))
	began := car.Begin()
	line := car.Adapter().Dial()
	buf := make([]byte, 256)
	for range 20 {
		_, err := line.Write([]byte("010C\r"))
		require.NoError(t, err)
		for prompt := false; !prompt; {
			n, err := line.Read(buf)
			require.NoError(t, err)
			prompt = n > 0 && buf[n-1] == '>'
		}
		time.Sleep(500 * time.Millisecond)
	}
	require.NoError(t, line.Close())
	car.Adapter().Wait()
	truth = car.Truth()
	r.Description = store.Meta{
		Anchors:  []store.Anchor{{UTC: began.UTC(), Source: "system"}},
		Channels: []store.Channel{{Name: "01.0C@7E8", OBD: &store.OBDChannel{Service: 1, PID: 0x0C, From: 0x7E8, Bytes: 2}}},
	}
	for _, s := range truth.OBD() {
		if s.PID == 0x0C && s.From == 0x7E8 {
			r.Readings = append(r.Readings, store.Sample{At: s.At, Half: 3 * time.Millisecond, Code: int64(s.Data[0])<<8 | int64(s.Data[1])})
		}
	}
	require.GreaterOrEqual(t, len(r.Readings), 18)
	return r, truth
}

func TestTamperingIsSeen(t *testing.T) {
	for _, row := range []struct {
		name         string
		tamper       func(r *recorded)
		differ, late int
	}{
		{"as it was sent", func(*recorded) {}, 0, 0},
		{"within the bound", func(r *recorded) { r.Readings[9].At += 3 * time.Millisecond }, 0, 0},
		{"an instant outside its bound", func(r *recorded) { r.Readings[12].At -= 4 * time.Millisecond }, 0, 1},
		{"far off, and known to be no better", func(r *recorded) {
			r.Readings[12].At, r.Readings[12].Half = r.Readings[12].At-2*time.Second, 2*time.Second
		}, 0, 0},
		{"another value", func(r *recorded) { r.Readings[12].Code ^= 0x4000 }, 1, 0},
		{"a value of ten seconds ago", func(r *recorded) { r.Readings[19].Code = 0xFFFF }, 1, 0},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, truth := record(t)
				row.tamper(&r)
				report, err := Session(r, truth)
				require.NoError(t, err)
				assert.Equal(t, len(r.Readings), report.OBD.Readings)
				assert.Equal(t, row.differ, report.OBD.Differ)
				assert.Equal(t, row.late, report.OBD.Late)
			})
		})
	}
}

// A time service that sets the wall clock while the drive runs moves no reading against the truth.
func TestAWallClockThatIsSetMovesNothing(t *testing.T) {
	clock := timebase.Start(timebase.Options{})
	if clock.BootID() == "" {
		t.Skip("this system has no clock of its boot")
	}
	began := time.Now()
	at := clock.SinceBoot(clock.At(began.Add(2 * time.Second)))
	meta := store.Meta{BootID: clock.BootID(), SinceBoot: at, Anchors: []store.Anchor{{UTC: began.Add(2*time.Second + 3*time.Millisecond).UTC()}}}
	now := began.Add(10 * time.Second)

	zero, err := start(meta, began, now, 0, clock)
	require.NoError(t, err)
	assert.Equal(t, 2*time.Second+3*time.Millisecond, zero, "the wall clock is believed while it was not set")

	zero, err = start(meta, began, now, 3*time.Millisecond, clock)
	require.NoError(t, err)
	assert.InDelta(t, 2, zero.Seconds(), 0.001, "and the boot's clock once it was")
}

// A λ that is 0.05 off, and one that was exported while the controller heated, are told.
func TestMixtureIsComparedInSteadyStatesOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		car := rig.New(rig.Options{Length: time.Minute})
		began := car.Begin()
		truth := car.Truth()
		r := recorded{Description: store.Meta{
			Anchors: []store.Anchor{{UTC: began.UTC(), Source: "system"}},
			Channels: []store.Channel{{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 0.1, Divider: 1, Rate: 10,
				Low: store.Point{Volts: 0, Value: 0.5}, High: store.Point{Volts: 5, Value: 1.5}}}},
		}}
		for at := time.Duration(0); at < truth.Length(); at += 100 * time.Millisecond {
			volts := (truth.At(at).LambdaSensor + 0.05 - 0.5) / 0.2
			r.Readings = append(r.Readings, store.Sample{At: at, Code: int64(min(max(volts, 0.1), 4.9) * 10000)})
		}
		report, err := Session(r, truth)
		require.NoError(t, err)
		require.Len(t, report.States, 3)
		for _, s := range report.States {
			assert.InDelta(t, 0.05, s.Error, 0.001, s.Name)
			assert.InDelta(t, 0.05, s.P95, 0.002, s.Name)
		}
		assert.InDelta(t, truth.Warm().Seconds()*10, report.EarlyLambda, 2)
	})
}

func TestASessionWithoutAnAnchorIsRefused(t *testing.T) {
	_, err := Session(recorded{}, rig.New(rig.Options{}).Truth())
	require.ErrorContains(t, err, "anchor")
}
