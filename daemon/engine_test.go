package daemon

import (
	"context"
	"io"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/rig"
	"underdash/obd"
	"underdash/obd/obdtest"
	"underdash/obd/pid"
	"underdash/obd/poll"
	"underdash/store"
)

// computer is an engine computer that is well and tells of an engine that turns. It answers while awake says so; nil is
// always.
func computer(from obd.Address, awake func(time.Time) bool, supported ...byte) obdtest.ECU {
	return obdtest.ECU{Address: from, Answer: func(r []byte, at time.Time) []byte {
		if r[0] != byte(obd.CurrentData) || awake != nil && !awake(at) {
			return nil
		}
		payload := []byte{0x41}
		for _, p := range r[1:] {
			if p == 0 {
				var bits [4]byte
				for _, s := range supported {
					bits[(s-1)/8] |= 0x80 >> ((s - 1) % 8)
				}
				payload = append(append(payload, p), bits[:]...)
			} else if slices.Contains(supported, p) {
				n, _ := pid.Width(obd.PID(p))
				payload = append(append(payload, p), []byte{0x0C, 0, 0, 0}[:n]...)
			}
		}
		if len(payload) == 1 {
			return nil
		}
		return payload
	}}
}

// on makes the bubble's daemon talk to an adapter of the test's own, without any analog input.
func (b *bubble) on(o obdtest.Options) *obdtest.Adapter {
	a := obdtest.New(o)
	b.cfg.Analog = nil
	b.o.Dial = func(context.Context, string, int) (io.ReadWriteCloser, error) { return a.Dial(), nil }
	return a
}

// polled is who is asked at present.
func (b *bubble) polled() obd.Address {
	b.daemon.asking.mu.Lock()
	defer b.daemon.asking.mu.Unlock()
	if b.daemon.asking.poller == nil {
		return 0
	}
	return b.daemon.asking.engine
}

func charging(time.Time) float64 { return 14.1 }

// An ignition that is switched off and on in a drive has the engine's computer silent for a while, and the gearbox's,
// which knows the engine's speed too, awake all along.
func TestTheGearboxIsNotPolledForLong(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(time.Minute, 1))
		start := time.Now()
		a := b.on(obdtest.Options{Volts: charging, ECUs: []obdtest.ECU{
			computer(0x7E8, func(at time.Time) bool { return at.Sub(start) < 20*time.Second || at.Sub(start) > 28*time.Second }, 0x05, 0x0B, 0x0C, 0x0D),
			computer(0x7E9, nil, 0x0C, 0x0D),
		}})
		dials, dial := 0, b.o.Dial
		b.o.Dial = func(ctx context.Context, address string, baud int) (io.ReadWriteCloser, error) {
			dials++
			return dial(ctx, address, baud)
		}
		b.start()
		time.Sleep(15 * time.Second)
		assert.EqualValues(t, 0x7E8, b.polled())
		time.Sleep(time.Until(start.Add(28 * time.Second)))
		assert.EqualValues(t, 0x7E9, b.polled(), "better than nothing")
		time.Sleep(7 * time.Second)
		assert.EqualValues(t, 0x7E8, b.polled())
		time.Sleep(time.Minute)
		state, why := b.part(OBDPart)
		assert.Equal(t, "working", state, why)
		infos := b.stop()
		assert.Equal(t, 1, dials, "the adapter is well")
		require.Len(t, infos, 1)
		assert.EqualValues(t, 0x7E8, recall(b.cfg.Store.Path).Engine)
		assert.True(t, slices.ContainsFunc(infos[0].Meta.Channels, func(c store.Channel) bool { return c.OBD != nil && c.OBD.From == 0x7E9 }))
		a.Wait()
	})
}

// Where the engine's computer is at an unusual address, the bus is looked over until it has shown for a minute that the
// engine turns. From then on it is known.
func TestAnEngineAtAnUnusualAddressIsRemembered(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "sessions")
	drive := func(length time.Duration, ecus ...obdtest.ECU) (looks int) {
		synctest.Test(t, func(t *testing.T) {
			b := newBubble(t, rig.Demo(time.Minute, 1))
			b.cfg.Store.Path = dir
			a := b.on(obdtest.Options{Volts: charging, ECUs: ecus})
			b.start()
			time.Sleep(length)
			b.stop()
			for _, r := range a.Requests()[len(a.Requests())/10:] { // behind the start
				if slices.Equal(r.Data, []byte{1, 0}) {
					looks++
				}
			}
			a.Wait()
		})
		return looks
	}
	engine, gearbox := computer(0x7EA, nil, 0x05, 0x0C, 0x0D), computer(0x7EB, nil, 0x0C, 0x0D)
	assert.NotZero(t, drive(50*time.Second, engine, gearbox))
	assert.Zero(t, recall(dir).Engine, "it may be another's")
	assert.NotZero(t, drive(90*time.Second, engine, gearbox))
	assert.EqualValues(t, 0x7EA, recall(dir).Engine)
	assert.Zero(t, drive(50*time.Second, engine, gearbox))
	assert.NotZero(t, drive(90*time.Second, gearbox))
	assert.EqualValues(t, 0x7EA, recall(dir).Engine, "that the gearbox answers alone says nothing")
	drive(10*time.Second, computer(0x7E8, nil, 0x0C), engine)
	assert.EqualValues(t, 0x7E8, recall(dir).Engine)
}

func TestMemoryIsOfOneCar(t *testing.T) {
	m := memory{Engine: 0x7EA, Car: "A"}
	assert.EqualValues(t, 0x7EA, m.engine("A"))
	assert.EqualValues(t, 0x7EA, m.engine(""), "it may be the same")
	assert.Zero(t, m.engine("B"))
	m.Car = ""
	assert.EqualValues(t, 0x7EA, m.engine("B"), "it may be the same")
}

func TestProof(t *testing.T) {
	at := time.Now()
	speed := func(after time.Duration, data ...byte) poll.Reading {
		return poll.Reading{PID: engineSpeed, Data: data, At: at.Add(after)}
	}
	p := proof{wanted: true}
	assert.False(t, p.took(speed(0, 0x0C, 0)))
	assert.False(t, p.took(speed(time.Minute-1, 0, 0)), "it stands")
	assert.False(t, p.took(speed(time.Hour, 0x0C, 0)))
	assert.False(t, p.took(poll.Reading{PID: roadSpeed, Data: []byte{9}, At: at.Add(2 * time.Hour)}))
	assert.False(t, p.took(speed(time.Hour+provenAfter-1, 0x0C, 0)))
	assert.True(t, p.took(speed(time.Hour+provenAfter, 0x0C, 0)))
	assert.False(t, p.took(speed(2*time.Hour, 0x0C, 0)), "told once")
	assert.False(t, (&proof{}).took(speed(0, 0x0C, 0)))
}
