package analogtest

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Types as the kernel's drivers have them (ti-ads1015.c, a 12-bit SoC converter), and the bytes worked out by hand; unused bits are set.
func TestScanBytes(t *testing.T) {
	for _, row := range []struct {
		scan Scan
		text string
		code int32
		want []byte
	}{
		{Scan{}, "le:s16/16>>0", -1000, []byte{0x18, 0xFC}},
		{Scan{Bits: 12, Shift: 4}, "le:s12/16>>4", -1000, []byte{0x8F, 0xC1}},
		{Scan{Bits: 12, Unsigned: true}, "le:u12/16>>0", 1, []byte{0x01, 0xF0}},
		{Scan{Bits: 24, Storage: 32, Shift: 8, BigEndian: true}, "be:s24/32>>8", -2, []byte{0xFF, 0xFF, 0xFE, 0xFF}},
	} {
		s := row.scan.withDefaults()
		assert.Equal(t, row.text, s.text())
		assert.Equal(t, row.want, s.bytes(row.code), row.text)
	}
}

func TestBufferTakesScansAsTheKernelDoes(t *testing.T) {
	d := lay(t, Options{Channels: []Channel{{}, {}}})
	b, err := d.OfferBuffer(BufferOptions{Scans: map[string]Scan{"voltage1": {Enabled: true}}})
	require.NoError(t, err)
	write := func(attribute, text string) { require.NoError(t, d.write(attribute, text)) }
	take := func() bool {
		took, err := b.Trigger(time.Now())
		require.NoError(t, err)
		return took
	}
	assert.Equal(t, "realtime", b.Is("current_timestamp_clock"), "industrialio-core.c: the field is zero at first")
	assert.False(t, take(), "not enabled")
	write("buffer/enable", "1")
	assert.False(t, take(), "no trigger")
	write("trigger/current_trigger", "t")
	require.NoError(t, d.Set("voltage1", 0x1234))
	assert.True(t, take())
	assert.True(t, take())
	assert.False(t, take(), "the buffer holds two scans and drops the newest")
	assert.Equal(t, 1, b.Dropped)

	node, err := os.Open(d.node())
	require.NoError(t, err)
	defer node.Close()
	got := make([]byte, 16)
	n, err := node.Read(got)
	require.NoError(t, err)
	assert.Equal(t, []byte{0x34, 0x12, 0x34, 0x12}, got[:n], "no timestamp was enabled")

	write("scan_elements/in_timestamp_en", "1")
	write("scan_elements/in_voltage0_en", "1")
	assert.True(t, take())
	n, err = node.Read(got)
	require.NoError(t, err)
	assert.Equal(t, 16, n, "two numbers of two bytes, four of padding, eight of timestamp")
	assert.Equal(t, []byte{0, 0, 0x34, 0x12, 0xA5, 0xA5, 0xA5, 0xA5}, got[:8])

	write("current_timestamp_clock", "sundial")
	_, err = b.Trigger(time.Now())
	require.ErrorContains(t, err, "sundial")
	require.NoError(t, b.Close())
	assert.NoFileExists(t, d.node())
}
