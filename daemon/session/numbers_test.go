package session

import (
	"fmt"
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/daemon/health"
	"underdash/store"
	"underdash/store/storetest"
)

// TestNumbersStoreRecorder measures what recording an hour costs the processor: taking every reading in, encoding,
// and a commit every five seconds, to a real medium.
func TestNumbersStoreRecorder(t *testing.T) {
	quick, seed := storetest.Numbers(t)
	length, bound := time.Hour, 2*time.Second
	if quick {
		length, bound = 10*time.Minute, time.Second
	}
	reference := storetest.Reference{Seed: seed, Length: length}
	drive := reference.Samples()
	dir, err := os.MkdirTemp("/var/tmp", "underdash-test-")
	if err != nil {
		dir = t.TempDir()
	}
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	st, err := store.Open(dir, store.Options{})
	require.NoError(t, err)
	m := reference.Meta()
	var board health.Board
	r := NewRecorder(st, func() []store.Channel { return m.Channels }, &board, RecorderOptions{})

	runtime.GC()
	before := storetest.CPU()
	r.Begin(0, m)
	next := r.o.Flush
	for _, s := range drive {
		if s.At >= next {
			require.NoError(t, r.write(s.At))
			next += r.o.Flush
		}
		r.Put(s)
	}
	r.End(length, "the drive is over")
	require.NoError(t, r.write(length))
	took := storetest.CPU() - before
	require.NoError(t, st.Close())
	require.Equal(t, uint64(len(drive)), board.Parts()[0].Counts["readings stored"])
	storetest.Number(fmt.Sprintf("append and flush, %d readings: processor time in an hour of driving", len(drive)),
		time.Duration(float64(took)/length.Hours()).Round(10*time.Millisecond).String(), time.Duration(float64(bound)/length.Hours()).String(), took <= bound)
}
