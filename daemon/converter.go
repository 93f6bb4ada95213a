package daemon

import (
	"errors"
	"fmt"
	"time"

	"underdash/analog"
	"underdash/analog/iio"
	"underdash/daemon/config"
)

// Converter is an analog input as the daemon needs it: codes, and what is needed to make volts of them. One that is an
// analog.Source too is read in its own rhythm. What else it may have:
//
//	Notes() []string                    // sentences on what was decided when it was opened
//	Range() (low, high int32, ok bool)  // the lowest and the highest code
type Converter interface {
	analog.Converter
	Scale() float64  // millivolts a code
	Offset() float64 // codes, added before scaling
}

// Overrun is told that a converter's buffer was full between two readings, and how many are missing.
type Overrun func(from, until time.Time, lost int)

// ErrBusy is wrapped by the error of a converter that is polled while somebody reads its buffer.
var ErrBusy = iio.ErrBusy

// OpenInput opens an input's converter in the configured mode. Auto takes a buffer that somebody has set running, and else polls and
// notes why: a buffer keeps others from polling, and some converters fill one faster than a small board reads.
func OpenInput(a config.Analog, lost Overrun) (Converter, error) {
	o := iio.Options{ScaleMillivolts: a.Scale, ConversionRate: a.Conversions, Trigger: a.Trigger, Rate: a.Rate, Overrun: lost, Running: a.Mode != config.Buffer}
	if a.Mode == config.Poll {
		return open(iio.Open(a.Device, a.Channel, o))
	}
	buffer, err := iio.OpenBuffer(a.Device, a.Channel, o)
	if err == nil {
		return buffer, nil
	}
	if a.Mode == config.Buffer || !errors.Is(err, iio.ErrNoBuffer) && !errors.Is(err, iio.ErrBusy) {
		return nil, err
	}
	channel, pollErr := iio.Open(a.Device, a.Channel, o)
	if pollErr != nil {
		return nil, pollErr
	}
	return polled{channel, err}, nil
}

// open keeps a nil pointer from becoming an interface that is not nil.
func open(c *iio.Channel, err error) (Converter, error) {
	if err != nil {
		return nil, err
	}
	return c, nil
}

// polled is a channel that is polled because its buffer cannot be read.
type polled struct {
	*iio.Channel
	why error
}

// Notes are the channel's and why it is polled.
func (p polled) Notes() []string {
	return append(p.Channel.Notes(), "polled: "+p.why.Error())
}

// notes are what an open converter has to say, on one line; empty if nothing.
func notes(c Converter) []string {
	if n, ok := c.(interface{ Notes() []string }); ok {
		return n.Notes()
	}
	return nil
}

// outOfRange says that the converter's range ends below what the input puts out, empty if it does not. A driver's default range may:
// that of the ads1015 family ends at 2.048 V.
func outOfRange(c Converter, a config.Analog) string {
	r, ok := c.(coded)
	if !ok {
		return ""
	}
	_, high, ok := r.Range()
	if !ok {
		return ""
	}
	most := (float64(high) + c.Offset()) * c.Scale() / 1000 * a.PlugPerPin()
	wanted := max(a.Low.Volts, a.High.Volts)
	if a.Warmup != nil {
		wanted = max(wanted, *a.Warmup)
	}
	if most >= wanted-0.005 {
		return ""
	}
	return fmt.Sprintf("the converter's range ends at %.3f V at the plug and the output goes up to %.3f V: choose a wider range of the converter (its scale attribute) or a larger divider", most, wanted)
}
