package daemon

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/daemon/rig"
)

// Somebody measures a level while the daemon records: the readings are the daemon's own, and none of them is missing.
func TestMeasuringWhileRecording(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(60*time.Second, 1))
		b.start()
		time.Sleep(2 * time.Second) // the controller heats
		seen, err := b.daemon.Measure(t.Context(), "wideband", 2*time.Second)
		require.NoError(t, err)
		assert.Equal(t, calibration.Held, seen.Condition(false))
		assert.InDelta(t, 200, seen.Readings, 2)
		assert.InDelta(t, 4.85, seen.Volts, 0.1, "the warm-up level of 5 V at the end of the virtual car's wire")
		assert.Len(t, b.daemon.Inputs(), 1)

		_, err = b.daemon.Measure(t.Context(), "narrowband", time.Second)
		require.ErrorIs(t, err, ErrInput)
		assert.ErrorContains(t, err, "there is wideband")
		time.Sleep(60 * time.Second)
		for _, i := range b.stop() {
			for _, e := range i.Meta.Events {
				assert.NotEqual(t, "gap", e.Kind, "%s", e.Text)
			}
		}
	})
}

var errUnplugged = errors.New("somebody pulled it out")

// A converter that fails while somebody measures ends that, and says so; without one there is nothing to measure.
func TestMeasuringWhatIsNotThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBubble(t, rig.Demo(60*time.Second, 1))
		gone := make(chan struct{})
		b.o.OpenInput = func(a config.Analog, lost Overrun) (Converter, error) {
			select {
			case <-gone:
				return nil, errUnplugged
			default:
			}
			c, err := OpenInput(a, lost)
			return failing{c, gone}, err
		}
		b.start()
		defer b.end()
		time.Sleep(time.Second)
		time.AfterFunc(time.Second, func() { close(gone) })
		_, err := b.daemon.Measure(t.Context(), "wideband", 5*time.Second)
		require.ErrorIs(t, err, errTapped)
		time.Sleep(time.Second)
		_, err = b.daemon.Measure(t.Context(), "wideband", time.Second)
		assert.ErrorContains(t, err, errUnplugged.Error())
	})
}

// failing is a converter that is pulled out.
type failing struct {
	Converter
	gone chan struct{}
}

func (f failing) Read() (int32, error) {
	select {
	case <-f.gone:
		return 0, errUnplugged
	default:
		return f.Converter.Read()
	}
}
