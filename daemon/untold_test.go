package daemon

import (
	"bytes"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/daemon/rig"
	"underdash/obd/obdtest"
)

// logged keeps what is logged.
type logged struct {
	mu   sync.Mutex // guards text
	text bytes.Buffer
}

func (n *logged) Write(p []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.text.Write(p)
}

func (n *logged) count(s string) int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return strings.Count(n.text.String(), s)
}

// Where nothing tells when a parked car is used again the owner is told, in the status each time and in the log once.
func TestThatNothingTellsWhenTheCarIsUsed(t *testing.T) {
	for _, row := range []struct {
		name     string
		refused  []string
		volts    float64
		wideband bool
		told     bool
	}{
		{"no voltage", []string{"RV"}, 12.4, false, true},
		{"no usable one", nil, 0.1, false, true},
		{"a voltage", nil, 12.4, false, false},
		{"no voltage, and an input", []string{"RV"}, 12.4, true, false},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBubble(t, rig.Demo(time.Minute, 1))
				wideband := b.cfg.Analog
				a := b.on(obdtest.Options{Refused: row.refused, Volts: func(time.Time) float64 { return row.volts },
					Asleep: func(time.Time) bool { return true }})
				if row.wideband {
					wideband[0].Device = "/nowhere"
					b.cfg.Analog = wideband
				}
				n := &logged{}
				b.o.Log = slog.New(slog.NewTextHandler(n, nil))
				b.start()
				for _, wait := range []time.Duration{90 * time.Second, 5 * time.Minute} { // asked again in between, where no voltage tells
					time.Sleep(wait)
					state, why := b.part(OBDPart)
					assert.Equal(t, "waiting", state)
					assert.Contains(t, why, "taken as parked")
					assert.Equal(t, row.told, strings.Contains(why, errUntold.Error()), why)
				}
				assert.Equal(t, row.told, n.count("the beginning of a drive may be missing") == 1)
				assert.LessOrEqual(t, n.count("the beginning of a drive may be missing"), 1)
				b.stop()
				a.Wait()
			})
		})
	}
}
