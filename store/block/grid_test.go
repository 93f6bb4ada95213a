package block

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// grids says which channels of a block have a grid of their own.
func grids(t *testing.T, samples []Sample, tick time.Duration) (numbers []uint16) {
	t.Helper()
	e := encoders.New().(*encoder)
	require.NoError(t, e.load(samples, tick))
	e.assign()
	for i := range e.channels {
		if e.channels[i].grid != nil {
			numbers = append(numbers, e.channels[i].number)
		}
	}
	return numbers
}

func sampled(channel uint16, n int, at func(i int) time.Duration) (all []Sample) {
	for i := range n {
		all = append(all, Sample{At: at(i), Channel: channel, Code: int64(i)})
	}
	return all
}

func TestWhichChannelsHaveAGrid(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	every := func(period, jitter time.Duration) func(i int) time.Duration {
		return func(i int) time.Duration { return time.Duration(i)*period + time.Duration(r.Int64N(int64(jitter)+1)) }
	}
	polls := func(n int) (all []Sample) { // one request after the other, each for the next of four parameters
		at := time.Duration(0)
		for i := range n {
			at += 15*ms + time.Duration(r.Int64N(int64(4*ms)))
			all = append(all, Sample{At: at, Channel: uint16(i % 4)})
		}
		return all
	}
	for _, row := range []struct {
		name    string
		samples []Sample
		want    []uint16
	}{
		{"a timer among polls", append(polls(300), sampled(9, 500, every(10*ms, 100*us))...), []uint16{9}},
		{"two timers of different rates", append(sampled(8, 300, every(7*ms, 50*us)), sampled(9, 500, every(10*ms, 100*us))...), []uint16{8, 9}},
		{"a timer whose period is no number of ticks", sampled(9, 500, every(time.Second/300, 0)), []uint16{9}},
		{"a timer that is late by up to a period", sampled(9, 500, every(10*ms, 9*ms)), nil},
		{"polls", polls(300), nil},
		{"too few readings", sampled(9, 10, every(10*ms, 0)), nil},
		{"all at once", sampled(9, 100, every(0, 0)), nil},
		{"answers with two parameters each, regular as they may be", append(sampled(1, 100, every(10*ms, 0)), sampled(2, 100, every(10*ms, 0))...), nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			slices.SortStableFunc(row.samples, func(a, b Sample) int { return int(a.At - b.At) })
			assert.Equal(t, row.want, grids(t, row.samples, 100*us))
			b := encode(t, Header{}, row.samples)
			assert.Len(t, decode(t, b), len(row.samples))
		})
	}
}

// A timer's instants are nearly free, also where it leaves some out: a step costs little more than its jitter.
func TestAGridIsCheap(t *testing.T) {
	regular := len(encode(t, Header{Tick: us}, sampled(9, 500, func(i int) time.Duration { return time.Duration(i) * 10 * ms })))
	assert.Less(t, regular, 110)
	jitter := len(encode(t, Header{Tick: us}, timer(1, 555, 10*ms, 63*us))) // 500 readings, 6 bits of jitter, 7 of code
	assert.Less(t, jitter, (6+7+1)*500/8+100)
}

func TestAtMostFifteenChannelsHaveAGrid(t *testing.T) {
	var all []Sample
	for c := range uint16(20) {
		all = append(all, sampled(c, 50, func(i int) time.Duration {
			return time.Duration(i)*time.Duration(10+c)*ms + time.Duration(c)*137*us
		})...)
	}
	assert.Len(t, grids(t, all, us), gridMost)
	assert.Len(t, decode(t, encode(t, Header{Tick: us}, all)), len(all))
}
