package obdtest

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// AT LP, and what wakes it: ELM327 data sheet, firmware 2.1, p. 20; what it keeps, from the sheets of 1.4b and 2.1.
func TestLowPower(t *testing.T) {
	for _, version := range []string{"1.4b", "2.1"} {
		o := Generation(version)
		o.ECUs = []ECU{{Address: 0x7E8, Answer: engine}}
		bench(t, o, "E0 S0 H1 TP6", func(t *testing.T, h host, a *Adapter) {
			h.ask("010C")
			h.write("ATLP\r")
			assert.Equal(t, "OK", h.until("OK"))
			synctest.Wait()
			require.True(t, a.Asleep())
			asked := len(a.Requests())
			time.Sleep(time.Hour)
			began := time.Now()
			h.write(" 010C\r") // the first character wakes it, the others are lost
			assert.Equal(t, "\r\rELM327 v"+version+"\r\r>", h.until(">"))
			assert.Greater(t, time.Since(began), time.Second)
			assert.False(t, a.Asleep())
			assert.Len(t, a.Requests(), asked)
			heard, _ := h.ask("010C")
			if version == "2.1" {
				assert.Contains(t, heard, "7E804410C17B8", "the settings are kept, the session with the car is begun anew")
			} else {
				assert.Contains(t, heard, "010C\rSEARCHING...\r41 0C 17 B8 \r", "all is as at power-up")
			}
		})
	}
	t.Run("at a high rate only a pulse wakes it", func(t *testing.T) {
		bench(t, Options{Baud: 115200}, "E0", func(t *testing.T, h host, a *Adapter) {
			h.write("ATLP\r")
			h.until("OK")
			h.write("    ")
			time.Sleep(time.Minute)
			assert.True(t, a.Asleep())
			require.NoError(t, h.stream.(*Host).Pulse(100*time.Microsecond))
			time.Sleep(time.Minute)
			assert.True(t, a.Asleep(), "too short")
			require.NoError(t, h.stream.(*Host).Pulse(time.Millisecond))
			h.until(">")
			assert.False(t, a.Asleep())
		})
	})
}

// The frames that a count cuts off come with the next answer, as far as the receiver holds them.
func TestLateFramesComeWithTheNextAnswer(t *testing.T) {
	o := Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}, {Address: 0x7E9, Answer: gearbox, Delay: after(20 * time.Millisecond)}}}
	bench(t, o, "E0 S0 H1 TP6", func(t *testing.T, h host, _ *Adapter) {
		heard, _ := h.ask("010D1")
		assert.Equal(t, "7E803410D2800000000\r\r>", heard)
		time.Sleep(100 * time.Millisecond)
		heard, _ = h.ask("010C1")
		assert.Equal(t, "7E903410D2800000000\r\r>", heard, "the gearbox's, late")
		heard, _ = h.ask("010D2")
		assert.Equal(t, "7E804410C17B8000000\r7E803410D2800000000\r\r>", heard, "and so on")
		for _, forgets := range []string{"ATPC", "ATTP6", "ATWS", "ATZ"} {
			h.ask("010D1")
			h.ask(forgets)
			h.ask("ATE0")
			h.ask("ATTP6")
			heard, _ = h.ask("010C")
			assert.NotContains(t, strings.ReplaceAll(heard, " ", ""), "410D", "%s", forgets)
		}
	})
	bench(t, o, "E0 S0 H1 TP6", func(t *testing.T, h host, _ *Adapter) {
		h.ask("09021") // and two frames more, of which the receiver holds both
		time.Sleep(100 * time.Millisecond)
		heard, _ := h.ask("010C")
		assert.Equal(t, "7E82147503030523535\r7E82242313233343536\r7E804410C17B8000000\r\r>", heard)
	})
}

// ISO 14229-1, reason 78; the data sheet says which firmware waits for it.
func TestMoreTime(t *testing.T) {
	for _, impatient := range []bool{false, true} {
		o := Options{Impatient: impatient, ECUs: []ECU{{Address: 0x7E8, Answer: engine, Pending: func(r []byte) time.Duration {
			if r[0] == 9 {
				return 2 * time.Second
			}
			return 0
		}}}}
		bench(t, o, "E0 S0 H1 TP6", func(t *testing.T, h host, _ *Adapter) {
			heard, _ := h.ask("0902")
			assert.True(t, strings.HasPrefix(heard, "7E8037F097800000000\r"), heard)
			assert.Equal(t, !impatient, strings.Contains(heard, "7E81014490201314434\r"), heard)
			time.Sleep(3 * time.Second)
			heard, _ = h.ask("010C")
			assert.Equal(t, impatient, strings.Contains(heard, "7E81014490201314434\r"), heard)
		})
	}
}

// A long answer of an older bus is several messages with pauses between them; adaptive timing must not cut it.
func TestOlderBusesAreNotCut(t *testing.T) {
	for _, protocol := range []byte("12345") {
		for _, delay := range []time.Duration{time.Millisecond, 25 * time.Millisecond, 45 * time.Millisecond} {
			o := Options{Protocol: protocol, ECUs: []ECU{{Address: 0x10, Answer: engine, Delay: after(delay)}}}
			bench(t, o, "E0 S0 H0 AT1", func(t *testing.T, h host, _ *Adapter) {
				for range 3 {
					h.ask("010C")
				}
				heard, took := h.ask("0902")
				assert.Equal(t, "49020100000031\r49020244344750\r49020330305235\r49020435423132\r49020533343536\r\r>", heard)
				assert.Less(t, took, 400*time.Millisecond)
			})
		}
	}
}

func TestFieldOddities(t *testing.T) {
	ecus := []ECU{{Address: 0x7E8, Answer: engine}}
	for _, c := range []struct {
		name, setup, sent, want string
		o                       Options
	}{
		{"agrees and does nothing", "E0 S0 TP6", "010C1", "41 0C 17 B8 \r\r>", Options{Pretended: []string{"AT S"}}},
		{"agrees to one thing and does nothing", "E0 S0 H1 TP6", "010C1", "410C17B8\r\r>", Options{Pretended: []string{"ATH1"}}},
		{"deaf to a count", "E0 S0 TP6", "010C1", "NO DATA\r\r>", Options{DeafCount: true}},
		{"and not to others", "E0 S0 TP6", "010C", "410C17B8\r\r>", Options{DeafCount: true}},
		{"never echoes", "S0 TP6", "010C1", "410C17B8\r\r>", Options{NoEcho: true}},
		{"refused without a parameter only", "E0 CRA7E8", "ATCRA", "?\r\r>", Options{Refused: []string{"ATCRA."}}},
		{"adaptive timing refused", "E0", "ATAT1", "?\r\r>", Options{Refused: []string{"AT"}}},
		{"prints padding (issue 130 of github.com/PowerBroker2/ELMduino)", "E0 S0 TP6", "010C1", "410C17B8000000\r\r>", Options{PrintPadding: true}},
		{"and with headers as everybody does", "E0 S0 H1 TP6", "010C1", "7E804410C17B8000000\r\r>", Options{PrintPadding: true}},
		{"loses the first two characters", "E0 S0 TP6", "xx010C1", "410C17B8\r\r>", Options{Lose: losing(2)}},
		{"loses all but the end", "E0 S0 TP6", "010C", "?\r\r>", Options{Lose: losing(3)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.ECUs = ecus
			bench(t, c.o, c.setup, func(t *testing.T, h host, _ *Adapter) {
				heard, _ := h.ask(c.sent)
				assert.Equal(t, c.want, heard)
			})
		})
	}
	t.Run("a line feed after the carriage return", func(t *testing.T) {
		for _, skip := range []bool{false, true} {
			bench(t, Options{ECUs: ecus, SkipLF: skip}, "E0 S0 TP6", func(t *testing.T, h host, a *Adapter) {
				h.write("010C1\r\n")
				heard := h.until(">")
				assert.Equal(t, skip, heard == "410C17B8\r\r>", heard)
				assert.Equal(t, skip, a.Heard().Stopped == 0)
			})
		}
	})
}

// losing loses n characters of the fourth line, which is the first after a setup of three.
func losing(n int) func() int {
	lines := 0
	return func() int {
		if lines++; lines == 4 {
			return n
		}
		return 0
	}
}

// What each firmware knows: the manufacturer's list of commands with the version in which each first appeared.
func TestGenerations(t *testing.T) {
	for _, c := range []struct{ version, refused, knows string }{
		{"1.0", "AT1 S0 CRA7E8 BRT0F CRA LP IGN CTM1", "E0 L0 H1 M0 TP6 ST32 RV DPN PC SH7E0 AR"},
		{"1.3", "CRA LP IGN CTM1", "AT1 AT2 S0 CRA7E8 BRT0F KW0 AR"},
		{"1.4b", "CTM1", "AT1 S0 CRA7E8 CRA IGN"},
		{"2.1", "", "CTM1 AT1 S0 CRA7E8 CRA IGN"},
	} {
		o := Generation(c.version)
		o.ECUs = []ECU{{Address: 0x7E8, Answer: engine}}
		bench(t, o, "E0", func(t *testing.T, h host, _ *Adapter) {
			for _, k := range strings.Fields(c.refused) {
				heard, _ := h.ask("AT" + k)
				assert.Equal(t, "?\r\r>", heard, "%s: %s", c.version, k)
			}
			for _, k := range strings.Fields(c.knows) {
				heard, _ := h.ask("AT" + k)
				assert.NotContains(t, heard, "?", "%s: %s", c.version, k)
			}
			h.ask("ATWS")
			h.ask("ATE0")
			h.ask("0100")
			heard, _ := h.ask("010C1")
			assert.Equal(t, c.version == "1.0", heard == "?\r\r>", "%s: a count", c.version)
		})
	}
}

// Two ends with different rates hear noise, in both directions, until they agree.
func TestRatesOfTheTwoEnds(t *testing.T) {
	bench(t, Options{Baud: 38400}, "E0", func(t *testing.T, h host, a *Adapter) {
		own := h.stream.(*Host)
		require.NoError(t, own.SetBaud(39000)) // 1.6 % off is near enough
		heard, _ := h.ask("ATI")
		assert.Equal(t, "ELM327 v2.1\r\r>", heard)
		require.NoError(t, own.SetBaud(57600))
		h.write("ATI\r")
		time.Sleep(time.Second)
		assert.Equal(t, 1, a.Heard().AT["I"])
		require.NoError(t, own.SetBaud(38400))
		h.write("\r")
		h.until(">") // whatever has become of the noise
		heard, _ = h.ask("ATI")
		assert.Equal(t, "ELM327 v2.1\r\r>", heard)
	})
	bench(t, Options{Baud: 115200, MaxBaud: 57600}, "", func(t *testing.T, h host, a *Adapter) {
		h.write("ATI\r")
		time.Sleep(time.Second)
		assert.Zero(t, a.Heard().AT["I"])
	})
}
