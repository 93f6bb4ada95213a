package elm_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/obd/elm"
)

// Answers as they are polled: three frames, one frame, the same without headers, and none.
var polled = []struct{ name, framing, sent, answer string }{
	{"six parameters, headers", "6", " 010C04050B0D0E3", benchmarkAnswer},
	{"one parameter, headers", "6", " 010C1", "7E804410C1AF8AAAAAA\r\r>"},
	{"six parameters", "", " 010C04050B0D0E3", "00E\r0:41043F05440B\r1:210C17B80D000E\r2:80555555555555\r\r>"},
	{"one parameter", "", " 010C1", "410C1AF8\r\r>"},
	{"nothing", "6", " 01661", "NO DATA\r\r>"},
}

func framingOf(protocol string) elm.Framing {
	if protocol == "" {
		return elm.Bare
	}
	return framings[protocol[0]]
}

// TestNumbersLinkParser measures the parser. The quickest of many short runs counts: what else the machine does meanwhile
// is not the parser's.
func TestNumbersLinkParser(t *testing.T) {
	mode := os.Getenv("UNDERDASH_NUMBERS")
	if mode == "" {
		t.Skip("a measurement, run by .ci/numbers")
	}
	const runs, answers = 3000, 200
	bound := 100.0
	if mode == "quick" {
		bound = 20
	}
	for _, x := range polled {
		var p elm.Parser
		f, sent, answer := framingOf(x.framing), []byte(x.sent), []byte(x.answer)
		parse := func() {
			p.Begin(f, sent)
			_, prompt := p.Feed(answer, time.Time{})
			if !prompt {
				t.Fatal("no prompt")
			}
		}
		best := time.Hour
		for range runs {
			began := time.Now()
			for range answers {
				parse()
			}
			best = min(best, time.Since(began))
		}
		rate := float64(answers*len(answer)) / best.Seconds() / 1e6
		allocations := testing.AllocsPerRun(1000, parse)
		row := func(name, measured, bound string, ok bool) {
			verdict := "ok"
			if !ok {
				verdict = "short"
			}
			fmt.Printf("number\t%s\t%s\t%s\t%s\n", name, measured, bound, verdict)
		}
		row("dialogue parser, "+x.name, fmt.Sprintf("%.0f MB/s", rate), fmt.Sprintf("%.0f MB/s", bound), rate > bound)
		row("dialogue parser, "+x.name+", allocations an answer", fmt.Sprint(allocations), "0", allocations == 0)
	}
}

func TestParserDoesNotAllocate(t *testing.T) {
	for _, x := range polled {
		var p elm.Parser
		sent, answer := []byte(x.sent), []byte(x.answer)
		parse := func() {
			p.Begin(framingOf(x.framing), sent)
			p.Feed(answer, time.Time{})
			_ = p.Tally()
		}
		parse()
		if x.name != "nothing" {
			require.Len(t, p.Messages(), 1, x.name)
		}
		require.Zero(t, testing.AllocsPerRun(100, parse), x.name)
	}
}
