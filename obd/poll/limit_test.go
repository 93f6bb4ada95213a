package poll

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Line is the link that the limit is worked out for: a serial line to an adapter on CAN with 11-bit identifiers at
// 500 kbit/s, with one engine computer behind it.
type Line struct {
	Baud   int
	Answer time.Duration // from the end of the request to the start of the answer
	Delay  time.Duration // one way, between the host and the adapter's serial line
	Host   time.Duration // from the prompt to the next request
}

// The parts of a request's time. The frame and the two parts of formatting are printed in the ELM327 data sheet
// (firmware 2.1, p. 74): a frame of 8 bytes takes 220 µs at 500 kbit/s, fetching it 29 µs and printing it 193 µs. The
// others are estimates without a source: reading a request, deciding on a flow control frame, the engine computer's
// reaction to it, and the time from one consecutive frame to the next.
const (
	parseTime       = 300 * time.Microsecond
	frameTime       = 220 * time.Microsecond
	formatTime      = 222 * time.Microsecond
	flowTime        = 100 * time.Microsecond
	reactTime       = time.Millisecond
	consecutiveTime = 286 * time.Microsecond
)

// Request is the shortest time from one request to the next, if it holds parameters of these numbers of data bytes and
// everything that can be left out is: echo, spaces, line feeds, headers. Characters take ten bits (8N1). A request is
// 01, two digits a parameter, the number of frames to expect, carriage return. One frame's answer is two digits a byte
// and a carriage return; of several frames (ISO 15765-2: 6 bytes in the first, 7 in each other one) first comes the
// length on a line of its own, and every line begins with its number and a colon and holds all bytes of its frame. A
// carriage return and the prompt end it. Lines are sent while later frames come in.
func (l Line) Request(widths ...int) time.Duration {
	char := func(n int) time.Duration { return time.Duration(n) * 10 * time.Second / time.Duration(l.Baud) }
	payload := 1
	for _, w := range widths {
		payload += 1 + w
	}
	lines := []int{2*payload + 1}
	if payload > 7 {
		lines = []int{3 + 1 + 2 + 12 + 1}
		for rest := payload - 6; rest > 0; rest -= 7 {
			lines = append(lines, 2+14+1)
		}
	}
	came := l.Delay + char(2+2*len(widths)+1+1) + parseTime + frameTime + l.Answer + frameTime
	sent := time.Duration(0) // when the serial line has sent what there was so far
	for i, n := range lines {
		if i == 1 {
			came += flowTime + frameTime + reactTime
		}
		if i > 0 {
			came += consecutiveTime
		}
		sent = max(sent, came+formatTime) + char(n)
	}
	return sent + char(2) + l.Delay + l.Host
}

// Limit is the most readings a second that channels of these widths can have when every one comes once a round, so that
// they are evenly spaced: the best of all ways to put them into requests of up to six.
func (l Line) Limit(widths ...int) float64 {
	best := time.Duration(0)
	var part func(rest []int, groups [][]int)
	part = func(rest []int, groups [][]int) {
		if len(rest) == 0 {
			round := time.Duration(0)
			for _, g := range groups {
				round += l.Request(g...)
			}
			if best == 0 || round < best {
				best = round
			}
			return
		}
		for i := range groups {
			if len(groups[i]) < 6 {
				groups[i] = append(groups[i], rest[0])
				part(rest[1:], groups)
				groups[i] = groups[i][:len(groups[i])-1]
			}
		}
		part(rest[1:], append(groups, []int{rest[0]}))
	}
	part(widths, nil)
	return float64(len(widths)) / best.Seconds()
}

// The limit against requests a second that were worked out by hand from the same parts, with 0.5 ms for the host.
func TestLimitIsArithmetic(t *testing.T) {
	one, three, six := []int{2}, []int{1, 1, 1}, []int{2, 1, 1, 1, 1, 1}
	for _, row := range []struct {
		answer   int // ms
		baud     int
		widths   []int
		requests float64
	}{
		// 6 and 11 characters, 0.3 + 0.22 + 5 + 0.22 + 0.222 + 0.5 ms
		{5, 38400, one, 92}, {5, 115200, one, 126}, {5, 500000, one, 147},
		{1, 38400, one, 145}, {10, 115200, one, 77}, {50, 500000, one, 19},
		// 10 and 17 characters
		{5, 38400, three, 74}, {5, 115200, three, 114}, {5, 500000, three, 143},
		{1, 115200, three, 208}, {25, 115200, three, 35},
		// 16 and 55 characters in three lines; at 500 000 baud the line waits for the frames
		{5, 38400, six, 40}, {5, 115200, six, 79}, {5, 500000, six, 111},
		{10, 38400, six, 33}, {25, 115200, six, 31},
	} {
		l := Line{Baud: row.baud, Answer: time.Duration(row.answer) * time.Millisecond, Host: 500 * time.Microsecond}
		assert.InDelta(t, row.requests, 1/l.Request(row.widths...).Seconds(), 1.3, "%d ms, %d baud, %d parameters", row.answer, row.baud, len(row.widths))
	}
	// Five parameters in two frames yield more than six in three, 250 against 240 readings a second, but six channels
	// cannot be asked by fives and come evenly.
	l := Line{Baud: 38400, Answer: 5 * time.Millisecond, Host: 500 * time.Microsecond}
	assert.InEpsilon(t, 240, l.Limit(six...), 0.01)
	assert.InEpsilon(t, 250, l.Limit(six[:5]...), 0.01)
}
