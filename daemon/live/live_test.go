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
