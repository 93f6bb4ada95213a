package elm_test

import (
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd/elm"
)

// dialogue is a record of testdata/dialogues, whose README explains the keys.
type dialogue struct {
	name, source, sent, heard string
	protocol                  byte
	headers                   bool
	framing                   elm.Framing
	want                      string // "7E8:410C1AF8 7E9:..."
	status                    elm.Status
	tally                     elm.Tally
}

var framings = map[byte]elm.Framing{
	'1': elm.J1850, '2': elm.J1850, '3': elm.KLine, '4': elm.KLine, '5': elm.KLine, '6': elm.CAN11, '7': elm.CAN29, '8': elm.CAN11,
	'9': elm.CAN29, '?': elm.AnyFraming,
}

var statuses = map[string]elm.Status{
	"no data": elm.StatusNoData, "garbled": elm.StatusGarbled, "stopped": elm.StatusStopped, "rejected": elm.StatusRejected,
	"bus": elm.StatusBus, "no connection": elm.StatusNoConnect, "overflow": elm.StatusOverflow, "wiring": elm.StatusFeedback, "fault": elm.StatusFault,
	"asleep": elm.StatusAsleep, "reset": elm.StatusReset,
}

// dialogues reads all records.
func dialogues(t testing.TB) (all []dialogue) {
	t.Helper()
	files, err := filepath.Glob("../../testdata/dialogues/*.txt")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for n, line := range strings.Split(string(text), "\n") {
			where := fmt.Sprintf("%s:%d", filepath.Base(file), n+1)
			if name, ok := strings.CutPrefix(line, "== "); ok {
				all = append(all, dialogue{name: strings.TrimSuffix(filepath.Base(file), ".txt") + ": " + name, headers: true})
				continue
			}
			if line == "" || line[0] == '#' {
				continue
			}
			require.NotEmpty(t, all, where)
			key, value, _ := strings.Cut(line, " ")
			require.NoError(t, all[len(all)-1].set(key, strings.TrimLeft(value, " ")), where)
		}
	}
	for i := range all {
		d := &all[i]
		if d.framing = framings[d.protocol]; !d.headers {
			d.framing = elm.Bare
		}
	}
	return all
}

func (d *dialogue) set(key, value string) error {
	number := func(into *int) (err error) {
		*into, err = strconv.Atoi(value)
		return err
	}
	switch key {
	case "source":
		d.source = value
	case "protocol":
		d.protocol = value[0]
	case "headers":
		d.headers = value != "off"
	case "sent":
		d.sent = value
	case "heard":
		raw, err := strconv.Unquote(`"` + value + `"`)
		d.heard += raw
		return err
	case "message":
		from, payload, _ := strings.Cut(value, " ")
		b, err := hex.DecodeString(strings.ReplaceAll(payload, " ", ""))
		d.want = strings.TrimSpace(fmt.Sprintf("%s %s:%X", d.want, from, b))
		return err
	case "status":
		s, ok := statuses[value]
		if d.status = s; !ok {
			return fmt.Errorf("status %q is none", value)
		}
	case "frames":
		return number(&d.tally.Frames)
	case "damaged":
		return number(&d.tally.Damaged)
	case "duplicates":
		return number(&d.tally.Duplicates)
	case "pending":
		return number(&d.tally.Pending)
	case "searching":
		d.tally.Searching = value == "yes"
	default:
		return fmt.Errorf("the key %q is none", key)
	}
	return nil
}

// read feeds what was heard, cut at the given places, and shows the messages.
func (d dialogue) read(t testing.TB, p *elm.Parser, f elm.Framing, cut func(left int) int) string {
	t.Helper()
	p.Begin(f, []byte(d.sent))
	for text := []byte(d.heard); len(text) > 0; {
		n := min(cut(len(text)), len(text))
		if rest, prompt := p.Feed(text[:n], time.Time{}); len(rest) > 0 || prompt != (len(text) == n) {
			t.Fatal("the prompt is last, and only that is one")
		}
		text = text[n:]
	}
	return show(p.Messages())
}

// Every record is read right whatever way its bytes are cut into reads, by one parser, which must not carry anything
// over from answer to answer.
func TestDialogues(t *testing.T) {
	var p elm.Parser
	random := rand.New(rand.NewPCG(1, 1))
	for _, d := range dialogues(t) {
		t.Run(d.name, func(t *testing.T) {
			check := func(how string, n int, cut func(int) int) {
				if got := d.read(t, &p, d.framing, cut); got != d.want || p.Status() != d.status || p.Tally() != d.tally {
					t.Fatalf("%s %d: %q, status %v, %+v\nwant %q, status %v, %+v", how, n, got, p.Status(), p.Tally(), d.want, d.status, d.tally)
				}
			}
			for piece := 1; piece <= len(d.heard); piece++ {
				check("in pieces of", piece, func(int) int { return piece })
			}
			for at := 1; at < len(d.heard); at++ {
				check("cut after", at, func(left int) int {
					if left == len(d.heard) {
						return at
					}
					return left
				})
			}
			for i := range 30 {
				check("cut at random", i, func(int) int { return 1 + random.IntN(12) })
			}
		})
	}
}

// Where headers are shown and nothing is damaged, the lines tell themselves which protocol they are of.
func TestDialoguesOfAnUnknownProtocol(t *testing.T) {
	var p elm.Parser
	n := 0
	for _, d := range dialogues(t) {
		if d.headers && d.tally.Damaged == 0 && d.want != "" && !strings.Contains(d.name, "flow control") {
			n++
			assert.Equal(t, d.want, d.read(t, &p, elm.AnyFraming, func(int) int { return 1000 }), d.name)
		}
	}
	assert.Greater(t, n, 60)
}

// There is a record for every protocol and everything that may come on it, for every word, and each names its source.
func TestDialoguesAreComplete(t *testing.T) {
	have := map[string]int{}
	for _, d := range dialogues(t) {
		assert.NotEmpty(t, d.source, d.name)
		assert.NotEmpty(t, d.sent, d.name)
		assert.Contains(t, framings, d.protocol, d.name)
		shape := "one message"
		senders := map[string]bool{}
		messages := strings.Fields(d.want)
		for _, m := range messages {
			from, _, _ := strings.Cut(m, ":")
			senders[from] = true
		}
		switch {
		case len(senders) > 1 && d.tally.Frames > len(messages):
			shape = "long messages of several"
		case len(senders) > 1:
			shape = "several computers"
		case d.want == "":
			shape = "nothing"
		case d.tally.Frames > len(messages):
			shape = "a long message"
		}
		have[fmt.Sprintf("%c %s", d.protocol, shape)]++
		have[fmt.Sprintf("headers %v %s", d.headers, shape)]++
		have[fmt.Sprint("status ", d.status)]++
		for line := range strings.SplitSeq(strings.ToUpper(strings.ReplaceAll(d.heard, " ", "")), "\r") {
			have[saying(line)]++
		}
	}
	for i := range protocols {
		for _, shape := range []string{"one message", "a long message", "several computers", "long messages of several", "nothing"} {
			assert.Positive(t, have[fmt.Sprintf("%c %s", protocols[i], shape)], "%c %s", protocols[i], shape)
		}
	}
	for _, s := range statuses {
		assert.Positive(t, have[fmt.Sprint("status ", s)], "status %v", s)
	}
	for _, w := range append(elm.Words(), "SEARCHING...", "BUSINIT:OK", "BUSINIT:...OK", "BUSINIT:ERROR", "BUSINIT:...ERROR", "ERRxx", "ELM327", "?") {
		assert.Positive(t, have[w], "no record has the adapter say %s", w)
	}
	assert.Positive(t, have["headers false a long message"])
	assert.Positive(t, have["headers false one message"])
}

var (
	faultNumber = regexp.MustCompile(`ERR\d\d$`)
	report      = regexp.MustCompile(`^(SEARCHING\.\.\.|BUSINIT:(\.\.\.)?(OK|ERROR))`)
)

// saying is the adapter's word in a line, spaces removed: the longest that it ends in, or the report that it begins
// with.
func saying(line string) (word string) {
	if r := report.FindString(line); r != "" {
		return r
	}
	switch {
	case strings.Contains(line, "ELM327"):
		return "ELM327"
	case strings.Contains(line, "?"):
		return "?"
	case faultNumber.MatchString(line):
		return "ERRxx"
	}
	for _, w := range elm.Words() {
		if len(w) > len(word) && strings.HasSuffix(line, w) {
			word = w
		}
	}
	return word
}
