package daemon

import (
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/config"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// bench is a converter on a bench: codes of 0.125 mV, 2.5 V at its pin where none are given, and a read that takes its time.
type bench struct {
	takes time.Duration
	high  int32
	code  func() int32
}

func (b bench) Read() (int32, error) {
	time.Sleep(b.takes)
	if b.code != nil {
		return b.code(), nil
	}
	return 20000, nil
}

func (b bench) Period() time.Duration                           { return 0 }
func (b bench) Close() error                                    { return nil }
func (b bench) Scale() float64                                  { return 0.125 }
func (b bench) Offset() float64                                 { return 0 }
func (b bench) Notes() []string                                 { return []string{"it is a bench"} }
func (b bench) Range() (low, high int32, known bool)            { return -b.high - 1, b.high, b.high > 0 }
func (b bench) input(config.Analog, Overrun) (Converter, error) { return b, nil }

// What a new user is told of an input: what is there, what the converter cannot do, and what was decided on the way.
func TestCheckTellsOfAnInput(t *testing.T) {
	warmup := 5.0
	a := config.Analog{Warmup: &warmup, Name: "wideband", Kind: config.Wideband, Device: "d", Channel: "voltage0", Divider: 1, Rate: 100, Low: config.Point{Volts: 0.5, Value: 0.65}, High: config.Point{Volts: 4.5, Value: 1.35}}
	r := rand.New(rand.NewPCG(1, 2))
	noisy := func(volts, sigma float64) func() int32 {
		return func() int32 { return int32(math.Round((volts + sigma*r.NormFloat64()) / 0.000125)) }
	}
	for _, row := range []struct {
		name  string
		bench bench
		ok    bool
		says  []string
		not   string
	}{
		{"well", bench{}, true, []string{"2.500 V at the plug", "λ 1.000", "it is a bench"}, "asked for"},
		// Two inputs of one converter of 128 conversions a second: 18.5 ms a read (derived from Linux's ti-ads1015.c).
		{"a converter that takes turns", bench{takes: 18500 * time.Microsecond}, true, []string{"of the 100 readings a second that are asked for the converter makes 5"}, ""},
		{"a range that is too narrow", bench{high: 32767}, false, []string{"the converter's range ends at 4.096 V at the plug and the output goes up to 5.000 V", "wider range"}, ""},
		{"a plug that is out, the pin pulled to ground", bench{code: noisy(0, 0.001)}, false, []string{"wideband is not plugged in, as it seems: it lies at 0 V"}, "λ"},
		{"a plug that is out, the pin floating", bench{code: noisy(1.6, 0.35)}, false, []string{"wideband is not plugged in, as it seems: it floats"}, "λ"},
		{"a wire at the supply", bench{high: 40000, code: func() int32 { return 40000 }}, false, []string{"wideband is at the end of the converter's range"}, "λ"},
		{"an engine that idles", bench{code: noisy(2.4, 0.05)}, true, []string{"V at the plug", "if the controller is warm"}, "plugged"},
		{"a controller that heats its sensor", bench{code: noisy(5, 0.003)}, true, []string{"5.000 V at the plug", "may be the warm-up level of 5.000 V"}, "plugged"},
		{"one code for ever", bench{}, true, []string{"one and the same code"}, ""},
		{"a converter of few readings a second", bench{takes: 190 * time.Millisecond}, true, []string{"2.500 V at the plug", "asked for the converter makes 6"}, "plugged"},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var found []Finding
				well := Check(t.Context(), config.Config{Analog: []config.Analog{a}}, Options{OpenInput: row.bench.input}, func(f Finding) { found = append(found, f) })
				assert.Equal(t, row.ok, well)
				require.Len(t, found, 1)
				assert.Equal(t, row.ok, found[0].OK)
				for _, words := range row.says {
					assert.Contains(t, found[0].Text, words)
				}
				if row.not != "" {
					assert.NotContains(t, found[0].Text, row.not)
				}
			})
		})
	}
}

// Where the adapter searched and found nobody, the ignition is the likeliest reason; where it could not, that is told.
func TestCheckTellsWhyTheCarIsSilent(t *testing.T) {
	for _, row := range []struct {
		name, words string
		refused     []string
		says, not   string
	}{
		{"all protocols were tried", "UNABLE TO CONNECT", nil, "switch the ignition on", "AT TP"},
		{"the adapter searched by itself", "UNABLE TO CONNECT", []string{"TP"}, "switch the ignition on", "AT TP"},
		{"one protocol was tried", "BUS INIT: ...ERROR", []string{"TP"}, "refuses to be told another", "switch"},
	} {
		t.Run(row.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(obdtest.Options{Refused: row.refused})
				defer a.Wait()
				a.Words(row.words)
				o := Options{Dial: func(context.Context, string, int) (io.ReadWriteCloser, error) { return a.Dial(), nil }}
				var found []Finding
				well := Check(t.Context(), config.Config{Adapter: config.Adapter{Address: "here"}}, o, func(f Finding) { found = append(found, f) })
				assert.False(t, well)
				require.Len(t, found, 1)
				assert.Contains(t, found[0].Text, row.says)
				assert.NotContains(t, found[0].Text, row.not)
			})
		})
	}
}

func TestWhySilent(t *testing.T) {
	assert.Equal(t, errSilent, whySilent(fmt.Errorf("asking: %w", elm.ErrUnableToConnect)))
	assert.Equal(t, elm.ErrFixedProtocol, whySilent(fmt.Errorf("asking: %w: %w", elm.ErrFixedProtocol, elm.ErrBus)))
}
