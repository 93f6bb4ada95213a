package elm_test

import (
	"bytes"
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

// tried are the protocols that were tried, in order, each run of the same once.
func tried(f *fake) string {
	var all []string
	for _, line := range f.heard() {
		if n, ok := strings.CutPrefix(line, "  ATTP"); ok {
			all = append(all, n)
		}
	}
	return strings.Join(slices.Compact(all), "")
}

func TestFindingTheCar(t *testing.T) {
	silent := map[string]string{"0100": "NO DATA||>"}
	for _, tt := range []struct {
		name     string
		protocol string
		answers  string // the protocols with which 0100 is answered
		replies  map[string]string
		want     string // protocols tried
		found    string
		err      error
	}{
		{"remembered", "6", "6", nil, "6", "6", nil},
		{"not remembered", "", "0", nil, "0", "6", nil},
		{"remembered wrong", "3", "0", nil, "30", "6", nil},
		{"the search finds nothing, one of them does", "", "7", map[string]string{"ATDPN": "7||>"}, "0687", "7", nil},
		{"the search says nothing at all (PO218)", "", "2", map[string]string{"0100": "||>", "ATDPN": "2||>"}, "06879532", "2", nil},
		{"remembered wrong, the search finds nothing", "6", "8", map[string]string{"ATDPN": "8||>"}, "608", "8", nil},
		{"nobody answers", "", "", map[string]string{"0100": "SEARCHING...|UNABLE TO CONNECT||>"}, "0687953214", "", elm.ErrUnableToConnect},
		{"the remembered one gives up, and so do all", "5", "", map[string]string{"0100": "BUS INIT: ...ERROR||>"}, "5068793214", "", elm.ErrBus},
		{"protocols cannot be tried", "6", "", map[string]string{"ATTP6": "?||>", "ATTP0": "?||>"}, "6", "", elm.ErrFixedProtocol},
		{"protocols cannot be tried, what came is told too", "", "", map[string]string{"ATTP0": "?||>", "0100": "CAN ERROR||>"}, "0", "", elm.ErrBus},
		{"protocols cannot be tried, the adapter searches", "", "", map[string]string{"ATTP0": "?||>", "0100": "SEARCHING...|UNABLE TO CONNECT||>"}, "0", "",
			elm.ErrUnableToConnect},
	} {
		t.Run(tt.name, func(t *testing.T) {
			current := ""
			reply := func(line string) string {
				if n, ok := strings.CutPrefix(line, "ATTP"); ok {
					current = n
				}
				if line == "0100" && strings.Contains(tt.answers, current) && tt.answers != "" {
					switch current {
					case "7":
						return "18DAF110064100BE3EB811||>"
					case "2":
						return "486B104100BE3EB811FA||>"
					}
					return usual(line)
				}
				if r, ok := tt.replies[line]; ok {
					return r
				}
				if r, ok := silent[line]; ok {
					return r
				}
				return usual(line)
			}
			bubble(t, reply, elm.Options{Protocol: tt.protocol}, func(t *testing.T, c *elm.Conn, f *fake) {
				open(t, c)
				if wrong := len(tt.want) > 1 && tt.protocol != ""; wrong {
					for range 8 { // before anything else is tried
						_, err := c.Request(t.Context(), ask(obd.CurrentData, 0x00))
						require.ErrorIs(t, err, obd.ErrNoAnswer)
						require.Equal(t, tt.protocol, tried(f))
						time.Sleep(4 * time.Second)
					}
				}
				_, err := c.Request(t.Context(), ask(obd.CurrentData, 0x00))
				require.ErrorIs(t, err, tt.err)
				assert.Equal(t, tt.want, tried(f))
				assert.Equal(t, tt.found, c.Info().Protocol)
				for _, line := range f.heard() {
					assert.NotContains(t, line, "ATSP", "what is found is not stored")
				}
			})
		})
	}
}

// A copy without the parts for SAE J1850 reports a fault when one of its two protocols is tried. Those after it are tried all
// the same; that it reports a fault of a protocol which was not just tried is one.
func TestFindingTheCarWithoutAllParts(t *testing.T) {
	for _, tt := range []struct {
		name, protocol, car string
		want                string // protocols tried
		err                 error
	}{
		{"a car on the last one", "", "4", "0687953214", nil},
		{"no car", "", "", "0687953214", elm.ErrUnableToConnect},
		{"the car was on it", "2", "4", "2", elm.ErrFault},
	} {
		t.Run(tt.name, func(t *testing.T) {
			current := ""
			reply := func(line string) string {
				if n, ok := strings.CutPrefix(line, "ATTP"); ok {
					current = n
				}
				switch {
				case line == "ATDPN":
					return current + "||>"
				case line != "0100":
					return usual(line)
				case current == tt.car:
					return "BUS INIT: ...OK|86F1104100BE3EB8118D||>"
				case current == "0":
					return "UNABLE TO CONNECT||>"
				case current == "1", current == "2":
					return "FB ERROR||>"
				case current < "6":
					return "BUS INIT: ...ERROR||>"
				}
				return "CAN ERROR||>"
			}
			bubble(t, reply, elm.Options{Protocol: tt.protocol}, func(t *testing.T, c *elm.Conn, f *fake) {
				open(t, c)
				_, err := c.Request(t.Context(), ask(obd.CurrentData, 0x00))
				require.ErrorIs(t, err, tt.err)
				assert.Equal(t, tt.want, tried(f))
				if tt.err == nil {
					assert.Equal(t, tt.car, c.Info().Protocol)
				}
			})
		})
	}
}

// A car that was found and falls asleep is looked for by its own protocol alone; after the adapter was set up anew, when it may
// be in another car, a search comes seldom, and trying all comes once.
func TestLosingTheCar(t *testing.T) {
	asleep := false
	reply := func(line string) string {
		if asleep && strings.HasPrefix(line, "01") {
			return "CAN ERROR||>"
		}
		return usual(line)
	}
	bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
		open(t, c)
		_, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		asleep = true
		searches := func(tries int) (n int) {
			before := len(f.heard())
			for range tries {
				_, err := c.Request(t.Context(), rpm)
				require.ErrorIs(t, err, elm.ErrBus)
				require.ErrorIs(t, err, obd.ErrNoAnswer)
				time.Sleep(3 * time.Second)
			}
			for _, line := range f.heard()[before:] {
				if line == "  ATTP0" {
					n++
				}
			}
			return n
		}
		assert.Zero(t, searches(40))
		open(t, c)
		assert.Equal(t, 1, searches(1), "it was missed for longer than half a minute")
		assert.Zero(t, searches(9))
		assert.Equal(t, 1, searches(1))
		open(t, c)
		assert.Zero(t, searches(9), "another opening changes nothing")
		assert.Equal(t, 1, searches(1))
		time.Sleep(time.Hour)
		assert.Zero(t, searches(10), "nobody has tried for an hour")
		assert.Equal(t, 1, searches(1))
		asleep = false
		a, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		assert.Equal(t, "7E8:410C1AF8", show(a.Messages))
		assert.True(t, strings.HasSuffix(tried(f), "6"))
	})
}

// A K-line session ends unnoticed when the engine computer restarts; it is begun anew.
func TestSessionBegunAnew(t *testing.T) {
	withAdapter(t, obdtest.Options{Protocol: '5', ECUs: car('5', 30*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		open(t, c)
		_, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		a.SetFault(obdtest.SilentCar)
		for range 8 {
			_, err := c.Request(t.Context(), rpm)
			require.ErrorIs(t, err, obd.ErrNoAnswer)
		}
		inits := a.Heard().AT["TP"]
		a.SetFault(obdtest.NoFault)
		_, err = c.Request(t.Context(), rpm)
		require.NoError(t, err)
		assert.Greater(t, a.Heard().AT["TP"], inits)
	})
}

func TestProtocolIsRemembered(t *testing.T) {
	withAdapter(t, obdtest.Options{Protocol: '9', ECUs: car('9', 8*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		open(t, c)
		began := time.Now()
		_, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		searched := time.Since(began)
		open(t, c) // the same connection, set up anew
		began = time.Now()
		_, err = c.Request(t.Context(), rpm)
		require.NoError(t, err)
		assert.Less(t, time.Since(began), searched/2)
		assert.Equal(t, "9", c.Info().Protocol)
		assert.Zero(t, a.Heard().AT["SP"])
	})
	// Another connection is told.
	withOptions(t, obdtest.Options{Protocol: '9', ECUs: car('9', 8*time.Millisecond)}, elm.Options{Protocol: "9"},
		func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			open(t, c)
			began := time.Now()
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			assert.Less(t, time.Since(began), 700*time.Millisecond, "the virtual adapter's search takes that long")
		})
}

// An adapter that hangs on the remembered protocol is not waited for as long as a search.
func TestHangOnTheRememberedProtocol(t *testing.T) {
	bubble(t, script(map[string]string{"0100": "7E80641^"}), elm.Options{Protocol: "6"}, func(t *testing.T, c *elm.Conn, _ *fake) {
		open(t, c)
		cancelled, cancel := context.WithTimeout(t.Context(), 2500*time.Millisecond)
		defer cancel()
		_, err := c.Request(cancelled, rpm)
		require.ErrorIs(t, err, elm.ErrAborted, "by then it has been given up")
		_, err = c.Volts(t.Context())
		require.NoError(t, err)
	})
}

// An engine computer that needs more time gets it, from every generation.
func TestMoreTime(t *testing.T) {
	for _, tt := range []struct {
		name string
		o    obdtest.Options
		more time.Duration
		err  error
	}{
		{"firmware 2.1", obdtest.Generation("2.1"), 3 * time.Second, nil},
		{"firmware 1.3 does not wait, but can be told to", obdtest.Generation("1.3"), 900 * time.Millisecond, nil},
		{"not that long", obdtest.Generation("1.3"), 3 * time.Second, elm.ErrPending},
		{"cannot be told", copied(func(o *obdtest.Options) { o.Impatient, o.Refused = true, []string{"ST"} }), 900 * time.Millisecond, elm.ErrPending},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.ECUs = car('6', 20*time.Millisecond)
			tt.o.ECUs[0].Pending = func(r []byte) time.Duration {
				if r[0] == 9 {
					return tt.more
				}
				return 0
			}
			withAdapter(t, tt.o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
				open(t, c)
				for range 2 {
					a, err := c.Request(t.Context(), ask(obd.VehicleInfo, 2))
					require.ErrorIs(t, err, tt.err)
					if tt.err == nil {
						assert.Contains(t, show(a.Messages), "7E8:490201")
					}
					time.Sleep(5 * time.Second) // until the late answer has come and gone
					for range 3 {
						a, err = c.Request(t.Context(), rpm)
						if err == nil {
							assert.Equal(t, "7E8:410C1AF8", show(a.Messages))
						}
					}
					require.NoError(t, err)
				}
			})
		})
	}
}

// Nor is one that needs more time forgotten because another answers meanwhile, and what the other said is not lost.
func TestMoreTimeWhileAnotherAnswers(t *testing.T) {
	const both, other = "7E8:490A0145 7E9:490A0154", "7E9:490A0154"
	for _, tt := range []struct {
		name string
		o    obdtest.Options
		more time.Duration
		once bool // the other answers once only
		want string
	}{
		{"firmware 2.1 waits after the last answer", obdtest.Generation("2.1"), 900 * time.Millisecond, false, both},
		{"firmware 1.3 does not wait, but can be told to", obdtest.Generation("1.3"), 900 * time.Millisecond, false, both},
		{"the other answers once only", obdtest.Generation("1.3"), 900 * time.Millisecond, true, both},
		{"not that long", obdtest.Generation("1.3"), 3 * time.Second, false, other},
		{"not that long, and the other answers once only", obdtest.Generation("1.3"), 3 * time.Second, true, other},
		{"cannot be told", copied(func(o *obdtest.Options) { o.Impatient, o.Refused = true, []string{"ST"} }), 900 * time.Millisecond, false, other},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.ECUs = car('6', 20*time.Millisecond)
			asked := 0
			for i, letter := range []byte("ET") {
				next := tt.o.ECUs[i].Answer
				tt.o.ECUs[i].Answer = func(r []byte, at time.Time) []byte {
					if !bytes.Equal(r, []byte{9, 0x0A}) {
						return next(r, at)
					}
					if asked += i; i == 1 && asked > 1 && tt.once {
						return nil
					}
					return []byte{0x49, 0x0A, 1, letter}
				}
			}
			tt.o.ECUs[0].Pending = func(r []byte) time.Duration {
				if r[0] == 9 {
					return tt.more
				}
				return 0
			}
			withAdapter(t, tt.o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
				open(t, c)
				a, err := c.Request(t.Context(), obd.Request{Service: obd.VehicleInfo, PIDs: []obd.PID{0x0A}, To: obd.Everybody})
				require.NoError(t, err)
				said := strings.Split(show(a.Messages), " ")
				slices.Sort(said)
				assert.Equal(t, tt.want, strings.Join(said, " "))
				assert.False(t, a.Sent.IsZero())
				time.Sleep(5 * time.Second) // until the late answer has come and gone
				a, err = c.Request(t.Context(), rpm)
				if err != nil { // that was the late answer's
					a, err = c.Request(t.Context(), rpm)
				}
				require.NoError(t, err)
				assert.Equal(t, "7E8:410C1AF8", show(a.Messages))
			})
		})
	}
}

func TestRefusalsReason(t *testing.T) {
	bubble(t, script(map[string]string{"010C": "7E8037F0122||>"}), elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
		open(t, c)
		_, err := c.Request(t.Context(), rpm)
		require.ErrorIs(t, err, elm.ErrRefused)
		var e *elm.Error
		require.ErrorAs(t, err, &e)
		assert.Equal(t, byte(0x22), e.Reason, "conditions not correct, ISO 14229-1")
		assert.ErrorContains(t, err, "reason 22")
	})
}

func TestOptionsThatMakeNoSense(t *testing.T) {
	for _, tt := range []struct {
		o    elm.Options
		says string
	}{
		{elm.Options{Protocol: "0"}, `protocol "0"`}, {elm.Options{Protocol: "A6"}, `protocol "A6"`}, {elm.Options{Protocol: "X"}, `protocol "X"`},
		{elm.Options{RaiseBaud: 100000}, "100000"}, {elm.Options{Pace: -time.Second}, "-1s"},
	} {
		synctest.Test(t, func(t *testing.T) {
			a := obdtest.New(obdtest.Options{})
			c := elm.New(a.Dial(), tt.o)
			defer a.Wait()
			_, err := c.Open(t.Context())
			require.ErrorIs(t, err, elm.ErrOption)
			assert.ErrorContains(t, err, tt.says)
			assert.Zero(t, a.Heard().Characters)
			require.NoError(t, c.Close())
		})
	}
}
