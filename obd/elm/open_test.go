package elm_test

import (
	"io"
	"net"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
)

func TestOpen(t *testing.T) {
	for _, tt := range []struct {
		name    string
		replies map[string]string
		sends   string // what must come after the call
		version string
	}{
		{"a healthy adapter", nil, "ATWS ATE0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v1.5"},
		{"echo is on at first", map[string]string{"ATI": "ATI|ELM327 v1.5||>", "ATWS": "ATWS|||ELM327 v1.5||>", "ATE0": "ATE0|OK||>"},
			"ATWS ATE0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v1.5"},
		{"the quick restart is not known", map[string]string{"ATWS": "?||>"}, "ATWS ATZ ATE0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v1.5"},
		{"settings are not known", map[string]string{"ATS0": "?||>", "ATH1": "?||>", "ATAT1": "?||>", "ATTP0": "?||>", "ATRV": "?||>", "ATM0": "?||>"},
			"ATWS ATE0 ATL0 ATS0 ATS0 ATH1 ATH1 ATM0 ATM0 ATAT1 ATAT1 ATST32 ATTP0 ATTP0 ATRV ATRV", "ELM327 v1.5"},
		{"one CR, junk before the banner (clones)", map[string]string{"ATWS": "\xfc\x00||ELM327 v2.1|>", "ATE0": "OK|>"},
			"ATWS ATE0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v2.1"},
		{"a tag before OK", map[string]string{"ATL0": "TDA81V0.12|OK|>"}, "ATWS ATE0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v1.5"},
		{"a stray line instead of OK", map[string]string{"ATL0": "ACT ALERT||>"}, "ATWS ATE0 ATL0 ATL0 ATS0 ATH1 ATM0 ATAT1 ATST32 ATTP0 ATRV", "ELM327 v1.5"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, script(tt.replies), elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
				info := open(t, c)
				assert.Equal(t, tt.version, info.Version)
				assert.Empty(t, info.Protocol, "known only once the car has answered")
				if tt.replies["ATRV"] == "" {
					assert.InDelta(t, 12.6, info.Volts, 1e-9)
				} else {
					assert.Zero(t, info.Volts)
				}
				lines := f.heard()
				assert.Equal(t, "                 ATI", lines[0], "the first characters may be lost")
				calls := func(l string) bool { return strings.TrimSpace(l) == "ATI" } // they measure the link, see TestPace
				assert.Equal(t, "  "+strings.ReplaceAll(tt.sends, " ", "   "), strings.Join(slices.DeleteFunc(lines[1:], calls), " "))
			})
		})
	}
}

// A line that lost its beginning is answered like a command that the adapter does not know. Neither makes a setting count as
// refused, nor is a car looked for while the adapter would store what it finds.
func TestACommandThatLostItsBeginning(t *testing.T) {
	again := map[string]int{}
	for _, tt := range []struct {
		name  string
		reply func(line string) string
		want  string // how often not to store was asked for
	}{
		{"each once", func(line string) string {
			if again[line]++; again[line] == 1 && strings.HasPrefix(line, "AT") && line != "ATI" {
				return "?||>"
			}
			return usual(line)
		}, "ATM0 ATM0"},
		{"not to store, twice", func(line string) string {
			if again[line]++; line == "ATM0" && again[line] < 3 {
				return "?||>"
			}
			return usual(line)
		}, "ATM0 ATM0 ATM0"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			clear(again)
			bubble(t, tt.reply, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
				assert.InDelta(t, 12.6, open(t, c).Volts, 1e-9)
				_, err := c.Request(t.Context(), rpm)
				require.NoError(t, err)
				want := all
				want.Count = true
				assert.Equal(t, want, c.Info().Features)
				assert.Equal(t, "6", c.Info().Protocol)
				memory := strings.Join(f.heard(), "")
				assert.Equal(t, tt.want, strings.Join(regexp.MustCompile("ATM0").FindAllString(memory, -1), " "))
				assert.Less(t, strings.LastIndex(memory, "ATM0"), strings.Index(memory, "0100"))
				delete(again, "ATRV")
				v, err := c.Volts(t.Context())
				require.NoError(t, err)
				assert.InDelta(t, 12.6, v, 1e-9)
			})
		})
	}
}

// An adapter that is not ready for the first two characters of what it is told is set up like any other.
func TestTwoCharactersLost(t *testing.T) {
	lost := 2
	o := obdtest.Options{ECUs: car('6', 8*time.Millisecond)[:1], Lose: func() int { return lost }}
	withAdapter(t, o, func(t *testing.T, c *elm.Conn, a *obdtest.Adapter) {
		assert.Equal(t, all, open(t, c).Features)
		assert.Zero(t, a.Heard().Unknown)
		lost = 1 // of a request
		_, err := c.Request(t.Context(), rpm)
		require.NoError(t, err)
		require.NoError(t, c.Focus(t.Context(), 0x7E8))
		want := all
		want.Count, want.Addressing = true, true
		assert.Equal(t, want, c.Info().Features)
		assert.Zero(t, a.Heard().Unknown)
	})
}

// An adapter that hears nothing for a moment after its prompt is given that moment, for requests and lines in two steps too.
func TestDeafAfterThePrompt(t *testing.T) {
	o := obdtest.Options{ECUs: car('6', 8*time.Millisecond)[:1], Deaf: 3 * time.Millisecond}
	withAdapter(t, o, func(t *testing.T, c *elm.Conn, _ *obdtest.Adapter) {
		assert.Equal(t, all, open(t, c).Features)
		for range 3 {
			_, err := c.Request(t.Context(), rpm)
			require.NoError(t, err)
			a, err := c.Request(t.Context(), ask(obd.CurrentData, 0x04))
			require.NoError(t, err)
			assert.Equal(t, "7E8:41043F", show(a.Messages))
		}
		require.NoError(t, c.Sleep(t.Context()))
	})
}

func TestOpenAfterAnotherProgram(t *testing.T) {
	calls := 0
	reply := func(line string) string {
		if line == "ATI" || line == "MAATI" {
			if calls++; calls == 1 {
				return "?||>" // the call met the rest of a line
			}
		}
		return usual(line)
	}
	bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
		assert.Equal(t, "ELM327 v1.5", open(t, c).Version, "from the restart")
	})
}

func TestOpenWakesASleeper(t *testing.T) {
	calls := 0
	reply := func(line string) string {
		if calls++; calls == 1 {
			return "" // the first call only wakes it
		}
		return usual(line)
	}
	bubble(t, reply, elm.Options{}, func(t *testing.T, c *elm.Conn, f *fake) {
		open(t, c)
		assert.Equal(t, []string{"                 ATI", "  ATI", "  ATWS"}, f.heard()[:3])
	})
}

func TestNotAnAdapter(t *testing.T) {
	for _, tt := range []struct {
		name  string
		reply func(string) string
		says  string
	}{
		{"silence", func(string) string { return "" }, "heard nothing"},
		{"something that never prompts", func(string) string { return "$GPRMC,123519,A|" }, `heard "$GPRMC,123519,A\r$GPRMC`},
		{"the wrong rate", func(string) string { return "\x80\xfe\x00\xf8" }, `heard "\x80\xfe\x00\xf8`},
		{"a shell", func(string) string { return "unknown command|> " }, `heard "unknown command\r> "`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bubble(t, tt.reply, elm.Options{}, func(t *testing.T, c *elm.Conn, _ *fake) {
				began := time.Now()
				_, err := c.Open(t.Context())
				require.ErrorIs(t, err, elm.ErrNotAdapter)
				assert.NotErrorIs(t, err, obd.ErrNoAnswer)
				assert.ErrorContains(t, err, tt.says)
				assert.Less(t, time.Since(began), 15*time.Second)
				_, err = c.Request(t.Context(), rpm)
				assert.ErrorIs(t, err, elm.ErrNotOpen)
			})
		})
	}
}

func TestFloodIsNotAnAdapter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		var flood sync.WaitGroup
		flood.Go(func() {
			for {
				if _, err := io.WriteString(far, "$GPRMC,123519,A\r\n"); err != nil {
					return
				}
				time.Sleep(time.Millisecond)
			}
		})
		flood.Go(func() { _, _ = io.Copy(io.Discard, far) })
		c := elm.New(near, elm.Options{})
		_, err := c.Open(t.Context())
		assert.ErrorIs(t, err, elm.ErrNotAdapter)
		assert.NoError(t, c.Close())
		far.Close()
		flood.Wait()
	})
}
