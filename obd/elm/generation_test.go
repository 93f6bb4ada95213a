package elm_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

const protocols = "123456789"

// all are the features that do not depend on the bus.
var all = elm.Features{Echo: true, Linefeeds: true, Spaces: true, Headers: true, Memory: true, Adaptive: true, Timeout: true, Protocols: true}

// copied is an adapter of the newest firmware, changed.
func copied(change func(*obdtest.Options)) obdtest.Options {
	o := obdtest.Options{Version: "ELM327 v1.5"}
	change(&o)
	return o
}

// adapters are those that are met in the field; the reports are named in obdtest's and elm's sources.
var adapters = []struct {
	name string
	o    obdtest.Options
	not  func(*elm.Features) // what it cannot do
}{
	{"firmware 1.0", obdtest.Generation("1.0"), func(f *elm.Features) { f.Spaces, f.Adaptive, f.Count = false, false, false }},
	{"firmware 1.3", obdtest.Generation("1.3"), func(f *elm.Features) {}},
	{"firmware 1.4b", obdtest.Generation("1.4b"), func(f *elm.Features) {}},
	{"firmware 2.1", obdtest.Generation("2.1"), func(f *elm.Features) {}},
	{"does not try protocols", copied(func(o *obdtest.Options) { o.Refused = []string{"TP"} }), func(f *elm.Features) { f.Protocols = false }},
	{"does not know AT2", copied(func(o *obdtest.Options) { o.Refused = []string{"ATAT2"} }), func(f *elm.Features) {}},
	{"no adaptive timing", copied(func(o *obdtest.Options) { o.Refused = []string{"AT"} }), func(f *elm.Features) { f.Adaptive = false }},
	{"neither adaptive timing nor a time-out", copied(func(o *obdtest.Options) { o.Refused = []string{"AT", "ST"} }),
		func(f *elm.Features) { f.Adaptive, f.Timeout = false, false }},
	{"two bytes of a request", copied(func(o *obdtest.Options) { o.TwoBytes = true }), func(f *elm.Features) {}},
	{"no count", copied(func(o *obdtest.Options) { o.NoCount = true }), func(f *elm.Features) { f.Count = false }},
	{"deaf to requests with a count", copied(func(o *obdtest.Options) { o.DeafCount = true }), func(f *elm.Features) { f.Count = false }},
	{"no quick restart", copied(func(o *obdtest.Options) { o.Refused = []string{"WS"} }), func(f *elm.Features) {}},
	{"keeps its echo", copied(func(o *obdtest.Options) { o.Refused = []string{"E"} }), func(f *elm.Features) { f.Echo = false }},
	{"keeps its line feeds and spaces", copied(func(o *obdtest.Options) { o.Refused = []string{"L", "S"} }),
		func(f *elm.Features) { f.Linefeeds, f.Spaces = false, false }},
	{"agrees to everything about its looks and does nothing", copied(func(o *obdtest.Options) { o.Pretended = []string{"E", "L", "S"} }),
		func(f *elm.Features) {}},
	{"cannot name the protocol", copied(func(o *obdtest.Options) { o.Refused = []string{"DPN"} }), func(f *elm.Features) {}},
	{"next to nothing", copied(func(o *obdtest.Options) {
		o.Refused = []string{"M", "AT", "TP", "RV", "S", "L", "ST", "SH", "CRA", "AR"}
	}),
		func(f *elm.Features) {
			*f = elm.Features{Echo: true, Headers: true, Count: f.Count}
		}},
}

// Every adapter on every protocol: what is asked is answered, by whom it was, again and again, and what cannot be done
// shows in the features.
func TestEveryAdapterOnEveryProtocol(t *testing.T) {
	for _, tt := range adapters {
		for i := range protocols {
			protocol := protocols[i]
			can := protocol >= '6'
			t.Run(fmt.Sprintf("%s, protocol %c", tt.name, protocol), func(t *testing.T) {
				o := tt.o
				o.Protocol = protocol
				delay := 8 * time.Millisecond
				if !can {
					delay = 30 * time.Millisecond // they answer after 25 ms at least
				}
				o.ECUs = car(protocol, delay)
				withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
					info := open(t, c)
					assert.Equal(t, o.Version, info.Version)
					converse(t, c, protocol)
					info = c.Info()
					want := all
					want.Count, want.Addressing = true, can // the older buses know no address
					if tt.name == "cannot name the protocol" {
						want.Count = can // which shows all the same
					}
					tt.not(&want)
					assert.Equal(t, want, info.Features)
					if tt.name != "cannot name the protocol" {
						assert.Equal(t, string(protocol), info.Protocol)
					}
				})
			})
		}
	}
}

// converse asks what every test asks.
func converse(t *testing.T, c *elm.Conn, protocol byte) {
	t.Helper()
	engineAt, gearboxAt := addresses(protocol)
	padding := ""
	if protocol < '6' {
		padding = "000000" // the older buses pad the VIN
	}
	for range 2 { // with and without a count, before and after the protocol is known
		a, err := c.Request(t.Context(), ask(obd.CurrentData, 0))
		require.NoError(t, err)
		assert.ElementsMatch(t, strings.Fields(fmt.Sprintf("%v:4100BE3EB811 %v:410080080000", engineAt, gearboxAt)),
			strings.Fields(show(a.Messages)))
		a, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C))
		require.NoError(t, err)
		assert.Equal(t, fmt.Sprintf("%v:410C1AF8", engineAt), show(a.Messages))
		a, err = c.Request(t.Context(), ask(obd.VehicleInfo, 2))
		require.NoError(t, err)
		assert.Equal(t, fmt.Sprintf("%v:490201%s%X", engineAt, padding, "1D4GP00R55B123456"), show(a.Messages))
		_, err = c.Request(t.Context(), ask(obd.CurrentData, 0x5E))
		assert.ErrorIs(t, err, obd.ErrNoAnswer)
		a, err = c.Request(t.Context(), obd.Request{Service: 1, PIDs: []obd.PID{0x0D}, To: gearboxAt})
		require.NoError(t, err)
		assert.Equal(t, fmt.Sprintf("%v:410D3F", gearboxAt), show(a.Messages))
	}
}

func TestOlderBusesTakeOneParameter(t *testing.T) {
	for _, protocol := range []byte("12345") {
		withAdapter(t, obdtest.Options{Protocol: protocol, ECUs: car(protocol, 30*time.Millisecond)}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			open(t, c)
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			_, err = c.Request(t.Context(), ask(obd.CurrentData, 0x0C, 0x0D))
			require.ErrorIs(t, err, elm.ErrOneParameter)
			require.ErrorIs(t, err, obd.ErrNoAnswer)
			var before time.Time
			for range 10 {
				_, err = c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			for i, r := range a.Requests() {
				assert.LessOrEqual(t, len(r.Data), 2)
				if gap := r.At.Sub(before); i > 0 {
					// 55 ms between messages on a K-line, 100 ms from request to request on J1850; see Conn.rest.
					assert.GreaterOrEqual(t, gap, 55*time.Millisecond)
					if protocol < '3' {
						assert.GreaterOrEqual(t, gap, 100*time.Millisecond)
					}
				}
				before = r.At
			}
		})
	}
}

// An adapter that cannot tell the protocol may be on any of the older buses, unless who answers shows that it is CAN.
func TestPausesWhereTheProtocolIsNotTold(t *testing.T) {
	for _, protocol := range []byte("12345679") {
		o := obdtest.Options{Protocol: protocol, Refused: []string{"DPN"}, ECUs: car(protocol, 8*time.Millisecond)}
		withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
			open(t, c)
			before, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			for range 10 {
				a, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				if protocol < '6' {
					require.GreaterOrEqual(t, a.Sent.Sub(before.First), 55*time.Millisecond, "protocol %c", protocol)
					require.GreaterOrEqual(t, a.Sent.Sub(before.Sent), 100*time.Millisecond, "protocol %c", protocol)
				} else {
					require.Less(t, a.Sent.Sub(before.Done), 20*time.Millisecond, "protocol %c", protocol)
				}
				before = a
			}
		})
	}
}

// The pause of a K-line counts from the end of the answer on the bus. An adapter that is told no number of lines waits at least
// as long for other computers' answers, so that the next request may follow its prompt.
func TestThePauseOfAKLine(t *testing.T) {
	for _, protocol := range []byte("345") {
		var answered time.Time // when the last answer began on the bus
		o := obdtest.Options{Protocol: protocol, ECUs: car(protocol, 30*time.Millisecond)}
		for i := range o.ECUs {
			answer := o.ECUs[i].Answer
			o.ECUs[i].Sampled = func() float64 { return 1 }
			o.ECUs[i].Answer = func(r []byte, at time.Time) []byte {
				p := answer(r, at)
				if p != nil {
					answered = at
				}
				return p
			}
		}
		withOptions(t, o, elm.Options{NoCount: true}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			open(t, c)
			before, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			for i := range 20 {
				ended := answered.Add(7 * 10 * time.Second / 10400) // 41 0D 3F, three bytes of a header and a checksum
				r := ask(obd.CurrentData, 0x0D)                     // which both answer
				if i%2 > 0 {
					r = rpm
				}
				answer, err := c.Request(t.Context(), r)
				require.NoError(t, err)
				requests := a.Requests()
				assert.GreaterOrEqual(t, requests[len(requests)-1].At.Sub(ended), 55*time.Millisecond, "protocol %c", protocol)
				assert.Equal(t, before.Done, answer.Sent, "protocol %c", protocol)
				before = answer
			}
		})
	}
}

// On the older buses too the adapter is told how many lines to wait for where one engine computer alone answers, and the pause is
// kept all the same. Where several do, all of them are heard, one too that did not answer at first.
func TestCountsOnOlderBuses(t *testing.T) {
	for _, protocol := range []byte("12345") {
		engineAt, gearboxAt := addresses(protocol)
		late, sampled := false, time.Time{} // of the engine's computer, when it begins to answer
		o := obdtest.Options{Protocol: protocol, ECUs: car(protocol, 30*time.Millisecond)}
		o.ECUs[0].Sampled = func() float64 { return 1 }
		o.ECUs[0].Answer = func(r []byte, at time.Time) []byte {
			sampled = at
			return engine(r, at)
		}
		o.ECUs[1].Delay = func() time.Duration { return 27 * time.Millisecond }
		o.ECUs[1].Answer = func(r []byte, at time.Time) []byte {
			if late && bytes.Equal(r, []byte{1, 0x0C}) {
				return []byte{0x41, 0x0C, 0, 0}
			}
			return gearbox(r, at)
		}
		withOptions(t, o, elm.Options{Pace: 10 * time.Second / 38400}, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
			open(t, c)
			for range 3 {
				answer, err := c.Request(t.Context(), ask(obd.CurrentData, 0x0D))
				require.NoError(t, err)
				assert.Len(t, answer.Messages, 2)
			}
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			before, began := sampled, time.Now()
			const n = 50
			for range n {
				answer, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				assert.Equal(t, fmt.Sprintf("%v:410C1AF8", engineAt), show(answer.Messages))
				assert.False(t, sampled.Before(answer.Earliest) || sampled.After(answer.Latest), "protocol %c", protocol)
				requests := a.Requests()
				last := requests[len(requests)-1]
				assert.Equal(t, 1, last.Count)
				if protocol >= '3' { // 41 0C 1A F8, three bytes of a header and a checksum
					assert.GreaterOrEqual(t, last.At.Sub(before), 8*10*time.Second/10400+55*time.Millisecond, "protocol %c", protocol)
				} else {
					assert.GreaterOrEqual(t, last.At.Sub(requests[len(requests)-2].At), 100*time.Millisecond, "protocol %c", protocol)
				}
				before = sampled
			}
			perSecond := n / time.Since(began).Seconds()
			assert.Greater(t, perSecond, 7.5, "protocol %c", protocol)
			late = true
			for i := range 4 {
				answer, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				if i > 0 {
					assert.ElementsMatch(t, strings.Fields(fmt.Sprintf("%v:410C1AF8 %v:410C0000", engineAt, gearboxAt)),
						strings.Fields(show(answer.Messages)))
				}
			}
		})
	}
}

// The older an adapter, the slower; but none needs to be as slow as its default time-out makes it.
func TestEveryGenerationAtItsSpeed(t *testing.T) {
	rate := func(o obdtest.Options, focus obd.Address) (perSecond float64) {
		o.Baud, o.ECUs = 38400, car('6', 10*time.Millisecond)[:1]
		withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
			open(t, c)
			require.NoError(t, c.Focus(t.Context(), focus))
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			const n = 50
			began := time.Now()
			for range n {
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
			}
			perSecond = n / time.Since(began).Seconds()
		})
		return perSecond
	}
	old := rate(obdtest.Generation("1.0"), 0)
	adaptive, tight := rate(obdtest.Options{NoCount: true}, 0), rate(obdtest.Options{NoCount: true}, 0x7E8)
	counting := rate(obdtest.Generation("1.3"), 0)
	t.Logf("%.1f, %.1f, %.1f, %.1f requests a second", old, adaptive, tight, counting)
	assert.Greater(t, old, 7.0, "the default time-out of 204.8 ms would give 4.5")
	assert.Greater(t, adaptive, 2*old)
	assert.Greater(t, tight, 1.25*adaptive)
	assert.Greater(t, counting, 1.25*tight)
}

func TestHeadersNotShown(t *testing.T) {
	for _, tt := range []struct {
		name      string
		o         obdtest.Options
		addressed bool
	}{
		{"refused", obdtest.Options{Refused: []string{"H"}}, true},
		{"agreed to and not done", obdtest.Options{Pretended: []string{"H"}}, true},
		{"refused, without a filter", obdtest.Options{Refused: []string{"H", "CRA"}}, true},
		{"refused, without an address", obdtest.Options{Refused: []string{"H", "SH"}}, true},
		{"refused, and nobody can be asked alone", obdtest.Options{Refused: []string{"H", "CRA", "SH"}}, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.ECUs = car('6', 8*time.Millisecond)
			withAdapter(t, tt.o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
				open(t, c)
				for range 3 {
					a, err := c.Request(t.Context(), ask(obd.CurrentData, 0x0D))
					require.NoError(t, err)
					if !tt.addressed {
						assert.Equal(t, "0:410D3F", show(a.Messages), "who said it is not known; the same twice counts once")
						continue
					}
					assert.Equal(t, "7E8:410D3F", show(a.Messages))
					a, err = c.Request(t.Context(), ask(obd.VehicleInfo, 2))
					require.NoError(t, err)
					assert.Equal(t, fmt.Sprintf("7E8:490201%X", "1D4GP00R55B123456"), show(a.Messages))
				}
				assert.False(t, c.Info().Features.Headers)
				assert.Equal(t, tt.addressed, c.Info().Features.Addressing)
			})
		})
	}
}
