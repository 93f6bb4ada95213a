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
	"underdash/obd/obdtest"
	"underdash/obd/port"
	"underdash/store"
	"underdash/store/derive"
)

// drive logs one drive of the virtual car and returns what is kept of it.
func drive(t *testing.T, o rig.Options, during func(b *bubble)) store.Meta {
	t.Helper()
	b := newBubble(t, o)
	b.start()
	if during != nil {
		during(b)
	}
	time.Sleep(o.Length + 10*time.Second)
	infos := b.stop()
	require.Len(t, infos, 1)
	r := b.compare(infos[0].ID)
	assert.Zero(t, r.OBD.Differ, "questions between the polls do not disturb the readings")
	return infos[0].Meta
}

func TestADriveKeepsWhatTheEngineComputersSayOfThemselves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(time.Minute, 1)
		o.Codes, o.Pending, o.Permanent = []string{"P0143", "P0196", "P0234", "P0235"}, []string{"U0100"}, []string{"P0143"}
		m := drive(t, o, nil)
		require.Len(t, m.Diagnoses, 2)
		all := derive.Diagnoses(m)
		start, end := all[0], all[1]
		assert.Equal(t, store.DriveStart, start.When)
		assert.Less(t, start.At, 15*time.Second)
		assert.Less(t, start.Until-start.At, 10*time.Second)
		assert.Empty(t, start.Problem)
		require.Len(t, start.Computers, 2)
		engine, gearbox := start.Computers[0], start.Computers[1]
		assert.EqualValues(t, 0x7E8, engine.Address)
		assert.Equal(t, rig.VIN, engine.VIN)
		assert.Equal(t, "ECM", engine.Acronym)
		assert.Equal(t, "EngineControl", engine.Name)
		assert.Equal(t, []derive.CalibrationID{{ID: rig.CalibrationID, CVN: rig.CVN}}, engine.Calibrations)
		assert.Equal(t, derive.Codes{Told: true, List: o.Codes}, engine.Stored)
		assert.Equal(t, derive.Codes{Told: true, List: o.Pending}, engine.Pending)
		assert.Equal(t, derive.Codes{Told: true, List: o.Permanent}, engine.Permanent)
		require.NotNil(t, engine.Status)
		assert.True(t, engine.Status.MIL)
		assert.Equal(t, 4, engine.Status.Codes)
		require.NotNil(t, engine.Frame)
		assert.Equal(t, "P0143", engine.Frame.Code)
		assert.Len(t, engine.Frame.Values, 19, "seventeen parameters, two of them with two quantities")
		for _, v := range engine.Frame.Values {
			if v.Name == "RPM" {
				assert.Greater(t, v.Number, 500.0)
			}
		}
		assert.Empty(t, engine.Unreadable)
		assert.EqualValues(t, 0x7E9, gearbox.Address)
		assert.Equal(t, derive.Codes{Told: true}, gearbox.Stored)
		assert.Equal(t, []derive.CalibrationID{{ID: rig.GearboxCalibrationID, CVN: rig.GearboxCVN}}, gearbox.Calibrations)
		assert.Empty(t, gearbox.VIN)

		assert.Equal(t, store.DriveEnd, end.When)
		assert.Empty(t, end.Problem)
		require.NotEmpty(t, end.Computers)
		assert.Equal(t, o.Codes, end.Computers[0].Stored.List)
		assert.Equal(t, o.Pending, end.Computers[0].Pending.List)
		assert.Nil(t, end.Computers[0].Frame, "the end is short")
		assert.GreaterOrEqual(t, end.At, m.End.At-5*time.Second)
		assert.Equal(t, rig.VIN, derive.VIN(m))
	})
}

func TestAHealthyCarHasNoCodes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := drive(t, rig.Demo(time.Minute, 2), nil)
		for _, d := range derive.Diagnoses(m) {
			require.Len(t, d.Computers, 2, d.When)
			for _, c := range d.Computers {
				assert.Equal(t, derive.Codes{Told: true}, c.Stored)
				assert.Equal(t, derive.Codes{Told: true}, c.Pending)
				assert.Nil(t, c.Frame)
				assert.False(t, c.Status.MIL)
			}
		}
	})
}

// Whatever happens to the link, the drive is logged and its description says what could not be read.
func TestWhatCouldNotBeReadIsSaid(t *testing.T) {
	for _, row := range []struct {
		name       string
		during     func(b *bubble)
		start, end string // words of the problems; empty for none
		answered   bool   // the start has answers
	}{
		{"a car that is never heard", func(b *bubble) { b.car.Adapter().SetFault(obdtest.SilentCar) }, "no car was heard", "no longer answered", false},
		{"a car that is heard late", func(b *bubble) {
			b.car.Adapter().SetFault(obdtest.SilentCar)
			time.Sleep(20 * time.Second)
			b.car.Adapter().SetFault(obdtest.NoFault)
		}, "", "", true},
		{"a car that falls silent before the end", func(b *bubble) {
			time.Sleep(25 * time.Second)
			b.car.Adapter().SetFault(obdtest.SilentCar)
		}, "", "no longer answered", true},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				b.start()
				row.during(b)
				time.Sleep(3 * time.Minute)
				infos := b.stop()
				require.Len(t, infos, 1)
				m := infos[0].Meta
				require.Len(t, m.Diagnoses, 2)
				for i, want := range []string{row.start, row.end} {
					if want == "" {
						assert.Empty(t, m.Diagnoses[i].Problem)
					} else {
						assert.Contains(t, m.Diagnoses[i].Problem, want)
					}
				}
				assert.Equal(t, row.answered, len(m.Diagnoses[0].Answers) > 0)
			})
		})
	}
}

// What the link failed with is the reason that the session gives, and stands beside the answers that came before it.
func TestAReadingCutByUnpluggingSaysSo(t *testing.T) {
	const unplugged = "no adapter at this address"
	asked := func(b *bubble, s obd.Service) {
		for b.car.Adapter().Heard().Services[s] == 0 {
			time.Sleep(5 * time.Millisecond)
		}
	}
	for _, row := range []struct {
		name       string
		during     func(b *bubble, p *plug)
		start, end string // words of the problems; empty for none
		answered   bool   // the start has answers
	}{
		{"in the midst of the start's reading", func(b *bubble, p *plug) {
			asked(b, obd.StoredCodes)
			time.Sleep(100 * time.Millisecond)
			p.pull(port.ErrNotFound)
		}, "asking the car for", unplugged, true},
		{"after the start's reading", func(b *bubble, p *plug) {
			time.Sleep(25 * time.Second)
			p.pull(port.ErrNotFound)
		}, "", unplugged, true},
		{"before the drive", func(b *bubble, p *plug) {
			time.Sleep(10 * time.Millisecond)
			p.pull(port.ErrNotFound)
		}, "no car was heard during the drive: ", unplugged, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				p := &plug{b: b}
				b.o.Dial = p.dial
				b.start()
				row.during(b, p)
				time.Sleep(3 * time.Minute)
				infos := b.stop()
				require.Len(t, infos, 1)
				m := infos[0].Meta
				require.Len(t, m.Diagnoses, 2)
				if assert.Contains(t, m.Diagnoses[0].Problem, row.start); row.start == "" {
					assert.Empty(t, m.Diagnoses[0].Problem)
				}
				assert.Equal(t, row.answered, len(m.Diagnoses[0].Answers) > 0)
				assert.Contains(t, m.Diagnoses[1].Problem, row.end)
			})
		})
	}
}

func TestAStoppedDaemonSaysThatTheEndWasNotRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.start()
		time.Sleep(30 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		require.Len(t, infos[0].Meta.Diagnoses, 2)
		assert.Empty(t, infos[0].Meta.Diagnoses[0].Problem)
		assert.NotEmpty(t, infos[0].Meta.Diagnoses[0].Answers)
		assert.Equal(t, "the daemon was stopped", infos[0].Meta.Diagnoses[1].Problem)
	})
}

func TestALostAnswerTakesNothingFromASession(t *testing.T) {
	answer := func(from uint32, p byte, b ...byte) store.Static {
		return store.Static{From: from, Service: byte(obd.CurrentData), PID: p, Payload: b}
	}
	known := []store.Static{answer(0x7E8, 0x4F, 1), answer(0x7E8, 0x00, 1), answer(0x7E9, 0x00, 1)}
	fresh := []store.Static{answer(0x7E8, 0x00, 2)}
	assert.Equal(t, []store.Static{answer(0x7E8, 0x00, 2), answer(0x7E8, 0x4F, 1), answer(0x7E9, 0x00, 1)}, withKnown(fresh, known))
	assert.Equal(t, fresh, withKnown(fresh, nil))
}

// What is read when the engine stands and then runs again is not of the drive's end, though nothing is read at that.
func TestAStopInTheMiddleIsNotTheDrivesEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := rig.Demo(40*time.Second, 1)
		o.Again = 55 * time.Second
		b := newBubble(t, o)
		b.cfg.Session.Bridge = 40 * time.Second
		b.start()
		time.Sleep(53 * time.Second)
		atEnd := func() (all []store.Diagnosis) {
			b.daemon.recorder.Edit(func(m *store.Meta, _ time.Duration) {
				for _, d := range m.Diagnoses {
					if d.When == store.DriveEnd {
						all = append(all, d)
					}
				}
			})
			return all
		}
		require.Len(t, atEnd(), 1, "the drive might have been over")
		require.NotEmpty(t, atEnd()[0].Answers)
		time.Sleep(22 * time.Second)
		assert.Empty(t, atEnd(), "it went on")
		infos := b.stop()
		require.Len(t, infos, 1)
		m := infos[0].Meta
		require.Len(t, m.Diagnoses, 2)
		assert.Equal(t, "the daemon was stopped", m.Diagnoses[1].Problem)
		assert.Empty(t, m.Diagnoses[1].Answers)
		assert.NotEmpty(t, m.Diagnoses[0].Answers)
	})
}

// A logger that has no adapter asks no car, so no drive of its says that one did not answer.
func TestWithoutAnAdapterNothingIsDiagnosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		b.cfg.Adapter.Address = ""
		b.cfg.Session.Begin = config.Always
		b.start()
		time.Sleep(20 * time.Second)
		infos := b.stop()
		require.Len(t, infos, 1)
		assert.Positive(t, infos[0].Samples)
		assert.Empty(t, infos[0].Meta.Diagnoses)
	})
}
