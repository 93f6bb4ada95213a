package daemon

import (
	"fmt"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/daemon/rig"
	"underdash/obd"
	"underdash/obd/obdtest"
)

// A car that falls silent is not said to stand: it has told no such thing, and on a K-line an adapter may take longer to find
// that nobody is there than a standing car is given.
func TestASilentCarIsNotSaidToStand(t *testing.T) {
	for _, volts := range []float64{0.1, 12.4} { // the former tells nothing
		for protocol, address := range map[byte]obd.Address{'4': 0x10, '6': 0x7E8} {
			t.Run(fmt.Sprintf("%.1f V, protocol %c", volts, protocol), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := newBubble(t, rig.Demo(time.Minute, 1))
					a := b.on(obdtest.Options{Protocol: protocol, ECUs: []obdtest.ECU{computer(address, nil, 0x05, 0x0C, 0x0D)},
						Volts: func(time.Time) float64 { return volts }})
					n := &logged{}
					b.o.Log = slog.New(slog.NewTextHandler(n, nil))
					b.start()
					time.Sleep(30 * time.Second)
					state, _ := b.part(OBDPart)
					require.Equal(t, "working", state)
					a.SetFault(obdtest.SilentCar)
					time.Sleep(3 * time.Minute)
					assert.NotZero(t, n.count(errParked.Error()))
					assert.Zero(t, n.count(errStanding.Error()))
					b.stop()
					a.Wait()
				})
			})
		}
	}
}

// Whatever the adapter says instead of a reading, a car whose battery rests is left alone, and asked again when the engine
// starts. While something charges the battery the fault is met for as long as it may be one of a drive.
func TestACarIsLeftAloneWhateverTheAdapterSays(t *testing.T) {
	notUnderRace(t)
	electric := []obdtest.ECU{computer(0x7E8, nil, 0x1C)}
	engine := []obdtest.ECU{computer(0x7E8, nil, 0x05, 0x0C, 0x0D)}
	for _, row := range []struct {
		name, words string
		ecus        []obdtest.ECU
	}{
		{"silence", "NO DATA", engine},
		{"a disturbed bus", "CAN ERROR", engine},
		{"its wiring", "FB ERROR", engine},
		{"a fault of its own", "ERR94", engine},
		{"damaged answers", "DATA ERROR", engine},
		{"a full buffer", "BUFFER FULL", engine},
		{"interruptions", "STOPPED", engine},
		{"no idea", "?", engine},
		{"that it restarted", "LV RESET", engine},
		{"that it goes to sleep", "LP ALERT", engine},
		{"what nobody wants to know", "", electric},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				var starts atomic.Bool
				a := b.on(obdtest.Options{ECUs: row.ecus, Volts: func(time.Time) float64 {
					if starts.Load() {
						return 14.1
					}
					return 12.4
				}})
				requests := func() int { return a.Heard().Services[obd.CurrentData] }
				a.Words(row.words)
				b.start()
				time.Sleep(2 * time.Minute)
				before := requests()
				assert.NotZero(t, before)
				time.Sleep(20 * time.Minute)
				assert.Equal(t, before, requests(), "a parked car hears no request")
				_, why := b.part(OBDPart)
				assert.Contains(t, why, "taken as parked")

				starts.Store(true)
				time.Sleep(2 * time.Minute)
				_, why = b.part(OBDPart)
				assert.NotContains(t, why, "parked")
				a.Words("")
				time.Sleep(5 * time.Second)
				state, why := b.part(OBDPart)
				assert.Equal(t, row.words != "", state == string(health.Working), why)
				b.stop()
				a.Wait()
			})
		})
	}
}
