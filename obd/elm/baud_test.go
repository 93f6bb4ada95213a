package elm_test

import (
	"errors"
	"fmt"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// plain hides that a stream's rate can be changed.
type plain struct{ net.Conn }

// noting keeps the rates that it was set to.
type noting struct {
	*obdtest.Host
	rates *[]int
}

func (n noting) SetBaud(baud int) error {
	*n.rates = append(*n.rates, baud)
	return n.Host.SetBaud(baud)
}

// stubborn says that its rate cannot be changed.
type stubborn struct{ net.Conn }

var errStubborn = errors.New("this port has one rate")

func (stubborn) SetBaud(int) error { return errStubborn }

const pace38400 = 10 * time.Second / 38400

func TestRaiseBaud(t *testing.T) {
	for _, tt := range []struct {
		name string
		o    obdtest.Options
		eo   elm.Options
		want int // the rate in the end
	}{
		{"57600", obdtest.Options{}, elm.Options{Pace: pace38400, RaiseBaud: 57600}, 57600},
		{"115200", obdtest.Options{}, elm.Options{Pace: pace38400, RaiseBaud: 115200}, 115200},
		{"230400", obdtest.Options{}, elm.Options{Pace: pace38400, RaiseBaud: 230400}, 230400},
		{"500000", obdtest.Options{}, elm.Options{Pace: pace38400, RaiseBaud: 500000}, 500000},
		{"500000, with the echo that would prove its command missing", obdtest.Options{NoEcho: true}, elm.Options{Pace: pace38400, RaiseBaud: 500000}, 0},
		{"not wanted", obdtest.Options{}, elm.Options{Pace: pace38400}, 0},
		{"the present rate is not known", obdtest.Options{}, elm.Options{RaiseBaud: 115200}, 0},
		{"refused", obdtest.Options{Refused: []string{"BRD"}}, elm.Options{Pace: pace38400, RaiseBaud: 115200}, 0},
		{"agreed to and not understood", obdtest.Options{MaxBaud: 57600}, elm.Options{Pace: pace38400, RaiseBaud: 115200}, 0},
		{"firmware 1.0", obdtest.Generation("1.0"), elm.Options{Pace: pace38400, RaiseBaud: 115200}, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Baud, tt.o.ECUs = 38400, car('6', 8*time.Millisecond)
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(tt.o)
				defer a.Wait()
				stream := a.Dial()
				require.NoError(t, stream.(*obdtest.Host).SetBaud(38400))
				c := elm.New(stream, tt.eo)
				defer c.Close()
				for range 3 { // and set up again at the rate it has
					info := open(t, c)
					assert.Equal(t, tt.want, info.Features.Baud)
					if tt.want != 0 {
						assert.InDelta(t, 10/float64(tt.want), info.Pace.Seconds(), 0.05*10/float64(tt.want))
					}
					for range 3 {
						answer, err := c.Request(t.Context(), rpm)
						require.NoError(t, err)
						assert.Equal(t, "7E8:410C1AF8", show(answer.Messages))
					}
				}
				a.BrownOut() // back to its own rate, while the host's end stays
				time.Sleep(2 * time.Second)
				_, err := c.Request(t.Context(), rpm)
				require.Error(t, err)
				info := open(t, c)
				assert.Equal(t, tt.want, info.Features.Baud)
				_, err = c.Request(t.Context(), rpm)
				require.NoError(t, err)
			})
		})
	}
	t.Run("an adapter left at the raised rate is found", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{Baud: 38400, ECUs: car('6', 8*time.Millisecond)})
			defer a.Wait()
			for range 2 {
				stream := a.Dial()
				require.NoError(t, stream.(*obdtest.Host).SetBaud(38400))
				c := elm.New(stream, elm.Options{Pace: pace38400, RaiseBaud: 115200})
				assert.Equal(t, 115200, open(t, c).Features.Baud)
				require.NoError(t, c.Close())
			}
		})
	})
	for _, baud := range []int{9600, 38400, 57600, 115200, 230400} {
		t.Run(fmt.Sprintf("goes back to %d exactly", baud), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(obdtest.Options{Baud: baud, MaxBaud: baud, ECUs: car('6', 8*time.Millisecond)})
				defer a.Wait()
				stream := a.Dial().(*obdtest.Host)
				require.NoError(t, stream.SetBaud(baud))
				var rates []int
				c := elm.New(noting{stream, &rates}, elm.Options{Pace: 10 * time.Second / time.Duration(baud), RaiseBaud: 500000})
				assert.Zero(t, open(t, c).Features.Baud, "agreed to and not understood")
				assert.Equal(t, []int{500000, baud}, rates)
				require.NoError(t, c.Close())
			})
		})
	}
	for _, baud := range []int{57600, 115200, 230400, 500000} {
		t.Run(fmt.Sprintf("at %d already", baud), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(obdtest.Options{Baud: baud, ECUs: car('6', 8*time.Millisecond)})
				defer a.Wait()
				stream := a.Dial().(*obdtest.Host)
				require.NoError(t, stream.SetBaud(baud))
				var rates []int
				c := elm.New(noting{stream, &rates}, elm.Options{Pace: 10 * time.Second / time.Duration(baud), RaiseBaud: baud})
				open(t, c)
				assert.Empty(t, rates)
				assert.Zero(t, a.Heard().AT["BRD"])
				require.NoError(t, c.Close())
			})
		})
	}
	t.Run("a stream whose rate cannot be changed", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{Baud: 38400})
			defer a.Wait()
			c := elm.New(plain{a.Dial()}, elm.Options{Pace: pace38400, RaiseBaud: 115200})
			assert.Zero(t, open(t, c).Features.Baud)
			require.NoError(t, c.Close())
			c = elm.New(stubborn{a.Dial()}, elm.Options{Pace: pace38400, RaiseBaud: 115200})
			assert.Zero(t, open(t, c).Features.Baud, "the adapter goes back by itself")
			_, err := c.Volts(t.Context())
			require.NoError(t, err)
			require.NoError(t, c.Close())
		})
	})
}
