package elm_test

import (
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
