package live

import (
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/store"
)

func TestBoardKeepsTheNewestOfEachChannel(t *testing.T) {
	var b Board
	assert.Empty(t, b.Newest())
	b.Put(store.Sample{Channel: 7, At: 2 * time.Second, Code: 20})
	b.Put(store.Sample{Channel: 1, At: time.Second, Code: 10})
	b.Put(store.Sample{Channel: 7, At: time.Second, Code: 19}) // late, of an earlier instant
	assert.Equal(t, []store.Sample{
		{Channel: 1, At: time.Second, Code: 10},
		{Channel: 7, At: 2 * time.Second, Code: 20},
	}, b.Newest())
}

func TestBoardIsSafeForManyWriters(t *testing.T) {
	var b Board
	var all sync.WaitGroup
	for c := range uint16(4) {
		all.Go(func() {
			for i := range 1000 {
				b.Put(store.Sample{Channel: c, At: time.Duration(i)})
				b.Newest()
			}
		})
	}
	all.Wait()
	for _, s := range b.Newest() {
		assert.Equal(t, time.Duration(999), s.At)
	}
}

func TestRates(t *testing.T) {
	var b Board
	every := func(channel uint16, from, until, step time.Duration) {
		for at := from; at < until; at += step {
			b.Put(store.Sample{Channel: channel, At: at})
		}
	}
	ms := time.Millisecond
	assert.Empty(t, b.Rates(0))
	every(1, 300*ms, 1900*ms, 10*ms)
	assert.Empty(t, b.Rates(1900*ms), "of the first second only a part was counted")
	every(1, 1900*ms, 30*time.Second, 10*ms)
	every(2, 20*time.Second, 30*time.Second, 250*ms)
	every(3, 0, 30*time.Second, 5*time.Second)
	b.Put(store.Sample{Channel: 1, At: 2 * time.Second}) // late, and too long ago
	assert.Equal(t, map[uint16]float64{1: 100, 2: 4, 3: 0.2}, b.Rates(30*time.Second))
	assert.Equal(t, map[uint16]float64{1: 50, 2: 2, 3: 0.1}, b.Rates(35*time.Second), "nothing has come for five seconds")
	assert.Equal(t, map[uint16]float64{1: 0, 2: 0, 3: 0}, b.Rates(time.Hour))
	every(1, 2*time.Hour, 2*time.Hour+3*time.Second, 20*ms)
	assert.Equal(t, 15.0, b.Rates(2*time.Hour + 3*time.Second)[1], "150 in ten seconds")
}
