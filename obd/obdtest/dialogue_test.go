package obdtest

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// The forms of the lines are those of the ELM327 data sheet's sections on multiline responses and on headers; the
// golden files were read against them.
func TestTranscripts(t *testing.T) {
	one := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	two := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}, {Address: 0x7E9, Answer: gearbox, Delay: after(9 * time.Millisecond)}}}
	wide := Options{Protocol: '7', Padding: 0xFF, ECUs: []ECU{{Address: 0x18DAF110, Answer: engine}, {Address: 0x18DAF11D, Answer: gearbox}}}
	old := func(protocol byte) Options {
		return Options{Protocol: protocol, ECUs: []ECU{{Address: 0x10, Answer: engine}, {Address: 0x18, Answer: gearbox}}}
	}
	short := one
	short.ShortFrames = true
	for _, c := range []struct {
		name  string
		o     Options
		lines string
	}{
		{"power-up settings", one, "ATZ|ATI|AT@1|ATDP|ATDPN|ATRV|0100|ATDP|ATDPN|010C|0902"},
		{"settings of a logger", two, "ATE0|ATL0|ATS0|ATH1|ATM0|ATAT1|ATTP6|0100|ATDPN|010C0D|010C0D04110B0F3|03|09021|AT SH 7E0|010D1|AT CRA 7E9|010D|AT CRA|ATSH7DF|010D2|0166"},
		{"no headers", two, "ATE0|ATS1|0100|010C1|0104050B0C|0902|03|0D0|010C0"},
		{"short frames", short, "ATE0|ATH1|010C|ATH0|0104050B0C|ATCAF0|02 01 0C|02010C1"},
		{"linefeeds and data length", one, "ATE0|ATL1|ATH1|ATD1|010C"},
		{"29-bit", wide, "ATE0|ATH1|010D|ATS0|010D|0902|ATSH DA10F1|010D|ATDP"},
		{"ISO 9141-2", old('3'), "ATE0|ATH1|ATTP3|0100|0902|03|010C0D|ATH0|010C"},
		{"KWP fast", old('5'), "ATE0|ATH1|ATSP5|0100|010C|ATPC|010C"},
		{"J1850 VPW", old('2'), "ATE0|ATH1|0100|ATDPN"},
		{"not understood", one, "ATE0|HELLO|ATXX|AT|010|01 0C|0102030405060708|ATSP9F|ATTPA6|ATDPN|0|ATBRD02|ATE0||"},
		{"wrong protocol", one, "ATE0|ATTP7|0100|ATTP3|0100|ATTP1|0100|ATTPA7|0100"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var b strings.Builder
			bench(t, c.o, "", func(t *testing.T, h host, _ *Adapter) {
				for _, line := range strings.Split(c.lines, "|") {
					heard, _ := h.ask(line)
					fmt.Fprintf(&b, "%-20s %q\n", line, heard)
				}
			})
			golden(t, strings.ReplaceAll(c.name, " ", "-"), b.String())
		})
	}
}

// Replies printed in the ELM327 data sheet (firmware 2.1, pp. 31, 42 to 45, and 39 of the sheet for 1.4b).
func TestRepliesOfTheDataSheet(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: func(r []byte, at time.Time) []byte {
		if string(r) == "\x01\x05" {
			return []byte{0x41, 0x05, 0x46}
		}
		return engine(r, at)
	}}}}
	for _, c := range []struct{ name, setup, request, want string }{
		{"VIN without headers", "E0", "0902", "014\r0: 49 02 01 31 44 34 \r1: 47 50 30 30 52 35 35 \r2: 42 31 32 33 34 35 36 \r\r>"},
		{"five parameters", "E0", "010405 0B0C", "00A\r0: 41 04 3F 05 44 0B \r1: 21 0C 17 B8 00 00 00 \r\r>"},
		{"a padded frame with its header", "E0 H1", "0105", "7E8 03 41 05 46 00 00 00 00 \r\r>"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bench(t, o, c.setup+" TP6", func(t *testing.T, h host, _ *Adapter) {
				heard, _ := h.ask(c.request)
				assert.Equal(t, c.want, heard)
			})
		})
	}
}

func TestFirstRequestSearches(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	bench(t, o, "E0 S0", func(t *testing.T, h host, a *Adapter) {
		heard, took := h.ask("0100")
		assert.Equal(t, "SEARCHING...\r4100BE3EB811\r\r>", heard)
		assert.Greater(t, took, 700*time.Millisecond)
		a.SetFault(SilentCar)
		h.ask("ATPC")
		heard, took = h.ask("0100")
		assert.Equal(t, "SEARCHING...\rUNABLE TO CONNECT\r\r>", heard)
		assert.Greater(t, took, 6*time.Second)
	})
}

func TestCharacterStopsARequest(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	for _, c := range []struct {
		name  string
		wait  time.Duration
		want  string
		setup string
	}{
		{"while the car thinks", 6 * time.Millisecond, "STOPPED\r\r>", "E0 S0 TP6"},
		{"while it listens for more", 60 * time.Millisecond, "410C17B8\rSTOPPED\r\r>", "E0 S0 TP6 AT0"},
		{"while it searches", 100 * time.Millisecond, "SEARCHING...\rSTOPPED\r\r>", "E0 S0"},
		{"a line feed after the carriage return", 0, "STOPPED\r\r>", "E0 S0 TP6"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bench(t, o, c.setup, func(t *testing.T, h host, a *Adapter) {
				heard := make(chan string)
				go func() { heard <- h.until(">") }()
				h.write("010C\r")
				time.Sleep(c.wait)
				h.write("\n")
				assert.Equal(t, c.want, <-heard)
				assert.Equal(t, 1, a.Heard().Stopped)
				again, _ := h.ask("ATI") // and it understands again
				assert.Equal(t, "ELM327 v2.1\r\r>", again)
			})
		})
	}
}

func TestFaults(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	bench(t, o, "E0 S0 TP6", func(t *testing.T, h host, a *Adapter) {
		ok := "410C17B8\r\r>"
		heard, _ := h.ask("010C1")
		require.Equal(t, ok, heard)

		a.SetFault(SilentCar)
		heard, _ = h.ask("010C1")
		assert.Equal(t, "NO DATA\r\r>", heard)
		a.SetFault(SleepingBus)
		heard, _ = h.ask("010C1")
		assert.Equal(t, "CAN ERROR\r\r>", heard)
		a.SetFault(NoFault)
		heard, _ = h.ask("010C1")
		assert.Equal(t, ok, heard, "after the bus woke up")

		a.SetFault(Garbage)
		heard, _ = h.ask("010C1")
		assert.NotEqual(t, ok, heard)
		assert.Len(t, heard, len(ok))
		assert.True(t, strings.HasSuffix(heard, "\r\r>"))

		a.SetFault(Hang)
		h.write("010C1\r")
		assert.Equal(t, "410C", h.until("C"))
		a.SetFault(NoFault)
		h.write(" ")
		assert.Equal(t, "STOPPED\r\r>", h.until(">")[len("7")-1:])

		a.BrownOut()
		assert.Equal(t, "\r\rLV RESET\r\r>", h.until(">"))
		heard, _ = h.ask("ATI")
		assert.Equal(t, "ATI\rELM327 v2.1\r\r>", heard, "echo is on again")
	})
}

func TestDeadAndWrongRateGiveNoPrompt(t *testing.T) {
	for _, f := range []Fault{Dead, WrongBaud} {
		synctest.Test(t, func(t *testing.T) {
			a := New(Options{})
			a.SetFault(f)
			stream := a.Dial()
			defer a.Wait()
			defer stream.Close()
			h := host{t, stream}
			h.write("ATI\r")
			require.NoError(t, stream.SetReadDeadline(time.Now().Add(time.Minute)))
			heard, err := io.ReadAll(stream)
			require.ErrorIs(t, err, os.ErrDeadlineExceeded)
			assert.NotContains(t, string(heard), ">")
			assert.Equal(t, f == WrongBaud, len(heard) > 0)
			assert.Equal(t, 4, a.Heard().Characters)
		})
	}
}

func TestUnfinishedLineIsGivenUp(t *testing.T) {
	bench(t, Options{}, "E0", func(t *testing.T, h host, _ *Adapter) {
		start := time.Now()
		h.write("010")
		assert.Equal(t, "?\r\r>", h.until(">"))
		assert.InDelta(t, 20, time.Since(start).Seconds(), 0.1) // data sheet p. 8: about 20 s
	})
}

func TestRefusedCommandsAndCopies(t *testing.T) {
	ecus := []ECU{{Address: 0x7E8, Answer: engine}}
	for _, c := range []struct {
		name, ask, want string
		o               Options
	}{
		{"a whole command", "ATTPA6", "?\r\r>", Options{Refused: []string{"AT TP A6"}}},
		{"its sister still works", "ATTP6", "OK\r\r>", Options{Refused: []string{"AT TP A6"}}},
		{"a name", "ATCRA7E8", "?\r\r>", Options{Refused: []string{"cra"}}},
		{"no response count", "010C1", "?\r\r>", Options{NoCount: true}},
		{"two bytes of a request", "010C0D1", "410C17B8\r\r>", Options{TwoBytes: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.ECUs = ecus
			bench(t, c.o, "E0 S0 SP6", func(t *testing.T, h host, _ *Adapter) {
				heard, _ := h.ask(c.ask)
				assert.Equal(t, c.want, heard)
			})
		})
	}
}

func TestCountsAndLog(t *testing.T) {
	o := Options{Log: 3, ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	bench(t, o, "E0 TP6", func(t *testing.T, h host, a *Adapter) {
		for _, line := range []string{"010C1", "010C1", "0902", "010D1", "01661", "XX"} {
			h.ask(line)
		}
		heard := a.Heard()
		assert.Equal(t, map[string]int{"E": 1, "TP": 1}, heard.AT)
		assert.Equal(t, map[obd.Service]int{1: 4, 9: 1}, heard.Services)
		assert.Equal(t, 1, heard.Unknown)
		assert.Equal(t, 1, heard.NoData)
		log := a.Requests()
		require.Len(t, log, 3)
		assert.Equal(t, []byte{9, 2}, log[0].Data)
		assert.Equal(t, []byte{1, 0x66}, log[2].Data)
		assert.Equal(t, 1, log[2].Count)
	})
}

func TestSettingsOutliveAStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := New(Options{})
		defer a.Wait()
		first := a.Dial()
		host{t, first}.ask("ATE0")
		second := a.Dial() // served once the first has ended
		require.NoError(t, first.Close())
		heard, _ := host{t, second}.ask("ATI")
		assert.Equal(t, "ELM327 v2.1\r\r>", heard)
		require.NoError(t, second.Close())
	})
}

func TestServeEndsWithItsContext(t *testing.T) {
	for _, c := range []struct{ name, sent string }{
		{"at rest", ""}, {"in the middle of a search", "0100\r"}, {"with nobody reading", "ATI\r"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				a := New(Options{})
				near, far := net.Pipe()
				defer near.Close()
				done := make(chan error)
				go func() { done <- a.Serve(ctx, far) }()
				if c.sent != "" {
					host{t, near}.write(c.sent)
				}
				time.Sleep(time.Second)
				cancel()
				assert.ErrorIs(t, <-done, context.Canceled)
			})
		})
	}
}

// The handshake of the data sheet, pp. 50 and 51.
func TestRateChange(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}}
	for _, c := range []struct {
		name        string
		acknowledge bool
	}{{"acknowledged", true}, {"not acknowledged", false}} {
		t.Run(c.name, func(t *testing.T) {
			bench(t, o, "E0 S0", func(t *testing.T, h host, _ *Adapter) {
				_, before := h.ask("ATI")
				h.write("ATBRD23\r")
				assert.Equal(t, "OK\r", h.until("\r"))
				assert.Equal(t, "ELM327 v2.1\r", h.until("\r"))
				if c.acknowledge {
					h.write("\r")
					assert.Equal(t, "OK\r\r>", h.until(">"))
				} else {
					time.Sleep(time.Second)
				}
				_, after := h.ask("ATI")
				assert.Equal(t, c.acknowledge, after < before/2)
			})
		})
	}
}
