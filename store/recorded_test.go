package store_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"underdash/store"
)

const longBlock = 20000

// longBlockOf is a block of more than a hundred kilobytes.
func longBlockOf(session, sequence uint64) (b []store.Sample) {
	for i := range uint64(20) {
		b = append(b, blockOf(session, sequence*1000+i)...)
	}
	for len(b) < longBlock {
		b = append(b, b...)
	}
	r := rand.New(rand.NewPCG(session, sequence)) // that no codec makes shorter
	for i := range b {
		b[i].Code = r.Int64N(1 << 40)
	}
	return asStored(b[:longBlock])
}

// sameBlocks finds exactly the blocks that were recorded.
func sameBlocks(t *testing.T, dir string, blocks uint64, long int) {
	t.Helper()
	path, err := store.Find(dir, store.Last)
	require.NoError(t, err)
	samples, errs := read(t, path)
	require.Empty(t, errs)
	var want []store.Sample
	for i := range blocks {
		b := blockOf(1, i)
		if int(i) == long {
			b = longBlockOf(1, i)
		}
		want = append(want, b...)
	}
	require.Equal(t, len(want), len(samples))
	for i := range want {
		require.Equal(t, want[i], samples[i], "reading %d", i)
	}
}
