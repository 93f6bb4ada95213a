package obdtest

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The model of the package comment worked by hand for whole requests, without the host's own half millisecond.
func TestPace(t *testing.T) {
	const six = "010C0D04110B0F"
	for _, c := range []struct {
		name    string
		baud    int
		ecu     time.Duration
		setup   string
		request string
		want    float64 // ms
		within  float64
	}{
		// 6×0.0868 + 0.3 + 0.22 + 10 + 0.22 + 0.22 + 11×0.0868
		{"one parameter, 115200, 10 ms", 115200, 10 * time.Millisecond, "S0", "010C1", 12.4, 0.05},
		// 16×0.26 + 0.3 + 0.22 + 5 + 0.22 + 0.22 + 55×0.26
		{"six parameters, 38400, 5 ms", 38400, 5 * time.Millisecond, "S0", six + "3", 24.4, 0.1},
		// 6×0.26 + 0.96 + 5 + 22×0.26: a padded frame with its header
		{"header, 38400, 5 ms", 38400, 5 * time.Millisecond, "S0 H1", "010C1", 13.25, 0.05},
		// four more characters
		{"spaces, 38400, 5 ms", 38400, 5 * time.Millisecond, "S1", "010C1", 10.4 + 4*0.2604, 0.1},
		// at 500000 the bus decides: 16×0.02 + 0.52 + 1 + 0.22 + flow 0.32 + 1 + 2×0.286 + 0.22, then 17+2 characters
		{"six parameters, 500000, 1 ms", 500000, time.Millisecond, "S0", six + "3", 4.56, 0.1},
		// without a count the default time-out of 50 × 4.096 ms runs from the frame, and only two characters follow
		{"no count, 115200, 10 ms", 115200, 10 * time.Millisecond, "S0 AT0", "010C", 11.17 + 204.8 + 0.26, 0.3},
		{"no count, ST 19", 115200, 10 * time.Millisecond, "S0 AT0 ST19", "010C", 11.17 + 102.4 + 0.26, 0.3},
		{"no data", 115200, 10 * time.Millisecond, "S0 AT0 ST19", "0166", 5*0.0868 + 0.52 + 102.4 + 10*0.0868, 0.05},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := Options{Baud: c.baud, ECUs: []ECU{{Address: 0x7E8, Answer: engine, Delay: after(c.ecu)}}}
			bench(t, o, "E0 TP6 "+c.setup, func(t *testing.T, h host, _ *Adapter) {
				_, took := h.ask(c.request)
				assert.InDelta(t, c.want, took.Seconds()*1000, c.within)
			})
		})
	}
}

// Requests a second without a count that the data sheet (p. 52) and a sibling part's sheet (p. 47) report, and the
// share of the default time-out that the model gives.
func TestReportedRates(t *testing.T) {
	for _, c := range []struct {
		name  string
		baud  int
		ecu   time.Duration
		setup string
		want  float64
	}{
		{"a 50 ms engine computer, default time-out: about 4", 38400, 50 * time.Millisecond, "AT0", 4},
		{"with about 100 ms: about 7", 38400, 50 * time.Millisecond, "AT0 ST19", 6.5},
		{"a 58 ms car, adaptive: about 6", 38400, 58 * time.Millisecond, "AT1", 6},
		{"with a count: 10 to 12 on the 58 ms car would be 15", 38400, 58 * time.Millisecond, "AT0 COUNT", 15},
		{"a 10 ms engine computer, 40 ms: about 20", 115200, 10 * time.Millisecond, "AT0 ST0A", 19},
	} {
		t.Run(c.name, func(t *testing.T) {
			setup, counted := strings.CutSuffix(c.setup, " COUNT")
			o := Options{Baud: c.baud, ECUs: []ECU{{Address: 0x7E8, Answer: engine, Delay: after(c.ecu)}}}
			bench(t, o, "E0 S0 TP6 "+setup, func(t *testing.T, h host, _ *Adapter) {
				line := "010C"
				if counted {
					line += "1"
				}
				h.ask(line) // adaptive timing learns
				start, n := time.Now(), 20
				for range n {
					h.ask(line)
				}
				assert.InEpsilon(t, c.want, float64(n)/time.Since(start).Seconds(), 0.08)
			})
		})
	}
}

// Characters must come at the line's pace: ten bit times each, whatever the writes they arrive in.
func TestOutputIsStreamed(t *testing.T) {
	bench(t, Options{Baud: 9600}, "E0", func(t *testing.T, h host, _ *Adapter) {
		h.write("ATI\r")
		var seen []time.Time
		one := make([]byte, 1)
		for len(seen) < len("ELM327 v2.1\r\r>") {
			_, err := h.stream.Read(one)
			require.NoError(t, err)
			seen = append(seen, time.Now())
		}
		span := seen[len(seen)-1].Sub(seen[0])
		assert.InDelta(t, 13*10/9600.0, span.Seconds(), 1e-6, "13 characters after the first")
		for i := 1; i < len(seen); i++ {
			assert.LessOrEqual(t, seen[i].Sub(seen[i-1]), chunkTime, "character %d", i)
		}
	})
}

// The engine computer's instant lies between the request's end and the answer's first character, where asked for.
func TestSamplingInstant(t *testing.T) {
	for _, share := range []float64{0, 0.25, 1} {
		var sampled time.Time
		o := Options{ECUs: []ECU{{
			Address: 0x7E8, Delay: after(20 * time.Millisecond), Sampled: func() float64 { return share },
			Answer: func(_ []byte, at time.Time) []byte { sampled = at; return []byte{0x41, 0x0D, 0x28} },
		}}}
		bench(t, o, "E0 TP6 S0", func(t *testing.T, h host, _ *Adapter) {
			start := time.Now()
			h.write("010D1\r")
			one := make([]byte, 1)
			_, err := h.stream.Read(one)
			require.NoError(t, err)
			first := time.Now()
			h.until(">")
			begun := 6*time.Second*10/38400 + parseTime + 220*time.Microsecond
			want := begun + time.Duration(share*float64(20*time.Millisecond))
			assert.InDelta(t, want.Seconds(), sampled.Sub(start).Seconds(), 1e-6)
			assert.True(t, sampled.Before(first))
		})
	}
}

// Two engine computers, the slower one beyond an aggressive time-out learnt from the faster.
func TestLateComputerIsMissed(t *testing.T) {
	o := Options{ECUs: []ECU{
		{Address: 0x7E8, Answer: engine, Delay: after(4 * time.Millisecond)},
		{Address: 0x7E9, Answer: gearbox, Delay: after(45 * time.Millisecond)},
	}}
	bench(t, o, "E0 S0 H1 TP6 AT2", func(t *testing.T, h host, _ *Adapter) {
		heard, _ := h.ask("010D")
		assert.Contains(t, heard, "7E9", "nothing learnt yet")
		h.ask("ATAT2")
		h.ask("010C") // only the fast one
		heard, _ = h.ask("010D")
		assert.NotContains(t, heard, "7E9")
	})
}

func BenchmarkRequest(b *testing.B) {
	d := &dialogue{Adapter: New(Options{ECUs: []ECU{{Address: 0x7E8, Answer: engine}}})}
	d.set.protocol, d.set.format = '6', true
	request, now := []byte{1, 0x0C, 0x0D, 0x04, 0x11, 0x0B, 0x0F}, time.Now()
	for b.Loop() {
		for _, f := range d.ask(request, now) {
			_ = f.lines(d.set)
		}
	}
}
