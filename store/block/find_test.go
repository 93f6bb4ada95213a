package block_test

import (
	"bytes"
	"io"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store/block"
)

func TestNextFindsWholeBlocksAmongRubbish(t *testing.T) {
	encode := func(sequence uint64) []byte {
		b, err := block.Append(nil, block.Header{Session: 3, Sequence: sequence}, []block.Sample{{At: 5, Code: int64(sequence)}, {At: 9, Code: 7}})
		require.NoError(t, err)
		return b
	}
	one, two := encode(1), encode(2)
	newer := slices.Clone(one)
	newer[4]++ // of a version to come, whose checksum fits
	damaged := slices.Clone(one)
	damaged[len(damaged)/2] ^= 1
	long := slices.Clone(one)
	long[8] = 0xFF // a length far beyond the end
	for _, row := range []struct {
		name string
		b    []byte
		want [][]byte
	}{
		{"nothing", nil, nil},
		{"rubbish", []byte("a page of udB and udBk and nothing"), nil},
		{"one", one, [][]byte{one}},
		{"two in a row", slices.Concat(one, two), [][]byte{one, two}},
		{"between rubbish", slices.Concat([]byte("udBkudB"), one, []byte("udBk"), two, []byte("u")), [][]byte{one, two}},
		{"a damaged one is left out", slices.Concat(damaged, two), [][]byte{two}},
		{"a damaged length", slices.Concat(long, two), [][]byte{two}},
		{"cut short", slices.Concat(one, two[:len(two)-1]), [][]byte{one}},
		{"a version to come without its checksum", newer, nil},
	} {
		t.Run(row.name, func(t *testing.T) {
			var found [][]byte
			for b := row.b; ; {
				start, length, ok := block.Next(b)
				if !ok {
					break
				}
				found = append(found, b[start:start+length])
				b = b[start+length:]
			}
			assert.Equal(t, row.want, found)
		})
	}
}

func TestCheckComparesTheChecksum(t *testing.T) {
	b, err := block.Append(nil, block.Header{Session: 3, Sequence: 4}, []block.Sample{{At: 5e6, Code: 6}})
	require.NoError(t, err)
	h, err := block.Check(b)
	require.NoError(t, err)
	assert.Equal(t, uint64(4), h.Sequence)
	assert.Equal(t, 1, h.Count)
	for i := range b {
		bad := slices.Clone(b)
		bad[i] ^= 0x10
		_, err := block.Check(bad)
		assert.Error(t, err, "byte %d", i)
	}
	_, err = block.Check(bytes.Repeat([]byte{0}, 100))
	assert.ErrorIs(t, err, block.ErrDamaged)
}

func TestReadTakesOneBlockAfterTheOther(t *testing.T) {
	one, err := block.Append(nil, block.Header{Sequence: 1}, []block.Sample{{Code: 1}})
	require.NoError(t, err)
	two, err := block.Append(nil, block.Header{Sequence: 2}, []block.Sample{{Code: 2}, {Code: 3}})
	require.NoError(t, err)
	r := bytes.NewReader(slices.Concat(one, two, two[:20]))
	b, err := block.Read(r, nil)
	require.NoError(t, err)
	assert.Equal(t, one, b)
	b, err = block.Read(r, b)
	require.NoError(t, err)
	assert.Equal(t, two, b)
	_, err = block.Read(r, b)
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
	_, err = block.Read(r, b)
	assert.ErrorIs(t, err, io.EOF)
	_, err = block.Read(bytes.NewReader(make([]byte, 100)), nil)
	assert.ErrorIs(t, err, block.ErrDamaged)
	two[len(two)-6] ^= 1
	_, err = block.Read(bytes.NewReader(two), nil)
	assert.ErrorIs(t, err, block.ErrDamaged)
}
