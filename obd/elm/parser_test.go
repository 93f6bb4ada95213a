package elm_test

import (
	"bufio"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
)

// read feeds printed, cut into pieces of the given size, and shows the messages.
func read(t testing.TB, p *elm.Parser, f elm.Framing, sent, printed string, piece int) string {
	t.Helper()
	p.Begin(f, []byte(sent))
	text := []byte(printed + ">")
	for len(text) > 0 {
		n := min(piece, len(text))
		rest, prompt := p.Feed(text[:n], time.Time{})
		require.Empty(t, rest)
		require.Equal(t, len(text) == n, prompt, "the prompt is last")
		text = text[n:]
	}
	return show(p.Messages())
}

func show(messages []obd.Message) string {
	var words []string
	for _, m := range messages {
		words = append(words, fmt.Sprintf("%v:%X", m.From, m.Payload))
	}
	return strings.Join(words, " ")
}

// The parser must agree with the payloads of real cars' answers. Where a sender said the same twice the table has it
// twice and the parser once.
func TestParserAgreesWithRealCars(t *testing.T) {
	f, err := os.Open("../../testdata/real_replies.tsv") // OBDb contributors, CC BY-SA 4.0; see SOURCES.md there
	require.NoError(t, err)
	defer f.Close()
	var p elm.Parser
	rows := 0
	for lines := bufio.NewScanner(f); lines.Scan(); {
		columns := strings.Split(lines.Text(), "\t")
		require.GreaterOrEqual(t, len(columns), 8)
		request, frames, payloads := columns[2], columns[4], columns[5]
		if request == "request" || frames == "" {
			continue
		}
		framing := elm.CAN11
		if strings.HasPrefix(payloads, "18") {
			framing = elm.CAN29
		}
		_, sent, _ := strings.Cut(request, ".")
		var want []string
		seen := map[string]bool{}
		for payload := range strings.FieldsSeq(payloads) {
			if !seen[payload] {
				seen[payload] = true
				want = append(want, payload)
			}
		}
		framings := []elm.Framing{framing}
		if payloads != "" { // the rest is noise, of which anything may be guessed
			framings = append(framings, elm.AnyFraming)
		}
		for _, f := range framings {
			got := strings.Fields(read(t, &p, f, sent, strings.ReplaceAll(frames, "/", "\r")+"\r\r", 1000))
			require.ElementsMatch(t, want, got, "%s", lines.Text())
		}
		rows++
	}
	assert.Greater(t, rows, 6000)
}

// First is the instant before which every message's value was measured.
func TestParserFirst(t *testing.T) {
	base := time.Date(2024, 5, 1, 12, 0, 0, 0, time.UTC)
	at := func(ms int) time.Time { return base.Add(time.Duration(ms) * time.Millisecond) }
	type piece struct {
		ms   int
		text string
	}
	for _, tt := range []struct {
		name   string
		pieces []piece
		want   int
	}{
		{"the first character of the line", []piece{{5, "7E8"}, {6, "03410D34\r"}, {7, "\r>"}}, 5},
		{"not the echo", []piece{{1, "010D\r"}, {5, "7E803410D34\r\r>"}}, 5},
		{"not the search", []piece{{1, "SEARCHING..."}, {400, "\r"}, {405, "7E803410D34\r\r>"}}, 405},
		{"a search on the same line", []piece{{1, "SEARCHING..."}, {405, "7E803410D34\r\r>"}}, 405},
		{"the first frame of a long answer", []piece{{5, "7E81008418B0102"}, {7, "0304\r"}, {9, "7E8210506\r\r>"}}, 5},
		{"the last of two senders", []piece{{5, "7E803410D34\r"}, {8, "7E903410D34\r"}, {9, "\r>"}}, 8},
		{"a sender's earlier words do not count", []piece{{5, "7E8037F0178\r"}, {900, "7E803410D34\r\r>"}}, 900},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var p elm.Parser
			p.Begin(elm.CAN11, []byte("010D"))
			for _, piece := range tt.pieces {
				p.Feed([]byte(piece.text), at(piece.ms))
			}
			require.NotEmpty(t, p.Messages())
			assert.Equal(t, at(tt.want), p.Tally().First)
		})
	}
}

func TestParserLeavesWhatFollowsThePrompt(t *testing.T) {
	var p elm.Parser
	p.Begin(elm.CAN11, nil)
	rest, prompt := p.Feed([]byte("NO DATA\r\r>LV RESET"), time.Time{})
	assert.True(t, prompt)
	assert.Equal(t, "LV RESET", string(rest))
	assert.Equal(t, elm.StatusNoData, p.Status())
}

// Noise must not make the parser grow.
func TestParserIsBounded(t *testing.T) {
	var p elm.Parser
	p.Begin(elm.CAN11, nil)
	for i := range 10_000 {
		p.Feed(fmt.Appendf(nil, "%03X1FFF418B01020304\r", i%0x800), time.Time{})
		p.Feed([]byte(strings.Repeat("41", 400)), time.Time{})
	}
	_, prompt := p.Feed([]byte("\r>"), time.Time{})
	assert.True(t, prompt)
	assert.Empty(t, p.Messages())
	assert.Equal(t, elm.StatusGarbled, p.Status())
}

const benchmarkAnswer = "7E8100E41043F05440B\r7E821210C17B80D000E\r7E82280555555555555\r\r>"

func BenchmarkParser(b *testing.B) {
	for _, bb := range polled {
		b.Run(bb.name, func(b *testing.B) {
			var p elm.Parser
			f, sent, answer := framingOf(bb.framing), []byte(bb.sent), []byte(bb.answer)
			b.SetBytes(int64(len(answer)))
			b.ReportAllocs()
			for b.Loop() {
				p.Begin(f, sent)
				p.Feed(answer, time.Time{})
			}
		})
	}
}

// noPrompt takes out what is a prompt, or may be one.
var noPrompt = strings.NewReplacer(">", "", "~", "", "\xbe", "", "\xfe", "")

// Whatever the characters are and however they are cut, nothing panics, the parser says the same, and a message is
// never longer than what came.
func FuzzParser(f *testing.F) {
	for _, d := range dialogues(f) {
		f.Add(byte(d.framing), 3, strings.TrimSuffix(d.heard, ">"))
	}
	f.Fuzz(func(t *testing.T, framing byte, piece int, printed string) {
		printed = noPrompt.Replace(printed)
		fr := elm.Framing(framing % 6)
		piece = max(1, min(piece, len(printed)+1))
		var whole, cut elm.Parser
		a := read(t, &whole, fr, "010C", printed, len(printed)+1)
		b := read(t, &cut, fr, "010C", printed, piece)
		require.Equal(t, a, b)
		require.Equal(t, whole.Status(), cut.Status())
		total := 0
		for _, m := range whole.Messages() {
			require.NotEmpty(t, m.Payload)
			total += len(m.Payload)
		}
		require.LessOrEqual(t, total, len(printed))
	})
}
