package block

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func ranks(channels []uint16) (all []int64) {
	var s sequence
	for _, c := range channels {
		all = append(all, s.rank(c))
	}
	return all
}

func TestRoundsAreGuessed(t *testing.T) {
	round := []uint16{0, 1, 2, 3, 4, 5}
	repeat := func(n int, parts ...[]uint16) (all []uint16) {
		for range n {
			for _, p := range parts {
				all = append(all, p...)
			}
		}
		return all
	}
	for _, row := range []struct {
		name     string
		learnt   int // readings it takes to learn
		channels []uint16
		misses   int // that are allowed after that
	}{
		{"a round", 7, repeat(10, round), 0},
		{"rounds with a parameter every other time", 30, repeat(10, round, round, []uint16{6}), 1},
		{"two patterns by turns", 45, repeat(10, round, []uint16{6, 7}, round, []uint16{7}, round, []uint16{6}), 0},
		{"a rare parameter is one miss each", 13, append(repeat(10, round), append([]uint16{7}, append(repeat(10, round), append([]uint16{8}, repeat(10, round)...)...)...)...), 2},
		{"three rare ones at once", 13, append(repeat(20, round), append([]uint16{7, 8, 9}, repeat(20, round)...)...), 5},
	} {
		t.Run(row.name, func(t *testing.T) {
			misses := 0
			for _, r := range ranks(row.channels)[row.learnt:] {
				if r > 0 {
					misses++
				}
			}
			assert.LessOrEqual(t, misses, row.misses)
		})
	}
}

func TestAnySequenceComesBack(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, n := range []int{1, 2, 12, 300, 0x10000} {
		var channels []uint16
		for range 5000 {
			channels = append(channels, uint16(r.IntN(n)*r.IntN(2)))
		}
		var s sequence
		for i, rank := range ranks(channels) {
			c, ok := s.channel(rank, n)
			require.True(t, ok, "%d of %d", i, n)
			require.Equal(t, channels[i], c)
		}
	}
}

func FuzzSequence(f *testing.F) {
	f.Add([]byte{0, 1, 2, 0, 1, 2, 3, 0, 1, 2})
	f.Fuzz(func(t *testing.T, b []byte) {
		var write, read sequence
		for _, c := range b {
			got, ok := read.channel(write.rank(uint16(c)), 256)
			require.True(t, ok)
			require.Equal(t, uint16(c), got)
		}
	})
}
