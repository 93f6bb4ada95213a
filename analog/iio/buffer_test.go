package iio

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/analog"
)

const ms = time.Millisecond

// pair is a scan of a 16-bit number and its timestamp.
func pair(code int16, stamp int64) []byte {
	b := make([]byte, 16)
	b[0], b[1] = byte(uint16(code)), byte(uint16(code)>>8)
	for i := range 8 {
		b[8+i] = byte(uint64(stamp) >> (8 * i))
	}
	return b
}

func pairs(t *testing.T, since time.Time) *scans {
	value, err := parseScanType("le:s16/16>>0")
	require.NoError(t, err)
	stamp, err := parseScanType("le:s64/64>>0")
	require.NoError(t, err)
	return &scans{size: 16, value: element{typ: value}, stamp: element{typ: stamp, at: 8}, since: since}
}

// A FIFO may deliver a scan in pieces; whatever the pieces are, the readings are the same.
func TestTornScansArePutTogether(t *testing.T) {
	ref := time.Now()
	var bytes []byte
	for i := range int16(20) {
		bytes = append(bytes, pair(i-10, int64(i)*int64(10*ms))...)
	}
	for piece := 1; piece <= 37; piece++ {
		s := pairs(t, ref.Add(-time.Hour))
		var got []analog.Reading
		for at := 0; at < len(bytes); at += piece {
			got = s.take(got, bytes[at:min(len(bytes), at+piece)], instant{clock: int64(time.Second), at: ref})
		}
		require.Len(t, got, 20, "pieces of %d", piece)
		for i, r := range got {
			assert.EqualValues(t, i-10, r.Code)
			assert.Equal(t, time.Duration(i)*10*ms-time.Second, r.At.Sub(ref))
		}
	}
}

func FuzzScans(f *testing.F) {
	f.Add(pair(1, 5), pair(2, 9))
	f.Add([]byte{1, 2, 3}, pair(2, 1<<60))
	f.Add(pair(-1, -1), []byte{})
	f.Fuzz(func(t *testing.T, a, b []byte) {
		ref := time.Now()
		torn, whole := pairs(t, ref.Add(-time.Minute)), pairs(t, ref.Add(-time.Minute))
		got := torn.take(torn.take(nil, a, instant{clock: 1000, at: ref}), b, instant{clock: 1000, at: ref})
		want := whole.take(nil, append(append([]byte{}, a...), b...), instant{clock: 1000, at: ref})
		require.Equal(t, want, got)
		for _, r := range got {
			require.False(t, r.At.After(ref.Add(time.Second)))
		}
	})
}

// A reading's instant is the middle of what was converted: one conversion before the timestamp, as for a polled one.
func TestScansAreDated(t *testing.T) {
	ref := time.Now()
	s := pairs(t, ref.Add(-time.Second))
	s.period = 8 * ms
	got := s.take(nil, pair(5, int64(970*ms)), instant{int64(time.Second), ref, ms})
	require.Len(t, got, 1)
	assert.Equal(t, -38*ms, got[0].At.Sub(ref))
	assert.Equal(t, 6*ms, got[0].Half, "half a conversion, a millisecond for the transfer, and what the clocks are apart by")
}

// What was in the buffer before it was opened is somebody else's; what is not of the clock, or out of order, cannot be dated.
func TestScansThatAreLeftOut(t *testing.T) {
	ref := time.Now()
	s := pairs(t, ref.Add(-100*ms))
	var bytes []byte
	for _, stamp := range []time.Duration{-5 * time.Second, -200 * ms, -50 * ms, -40 * ms, -40 * ms, -45 * ms, -30 * ms, 2 * time.Second} {
		bytes = append(bytes, pair(int16(stamp/ms), int64(time.Minute+stamp))...)
	}
	var codes []int32
	for _, r := range s.take(nil, bytes, instant{clock: int64(time.Minute), at: ref}) {
		codes = append(codes, r.Code)
	}
	assert.Equal(t, []int32{-50, -40, -30}, codes)
}

// A full buffer drops the newest scans and says nothing (Linux, drivers/iio/industrialio-buffer.c), so the rhythm has to tell.
func TestOverrunsAreFound(t *testing.T) {
	even := func(n int, every time.Duration) (d []time.Duration) {
		for range n {
			d = append(d, every)
		}
		return d
	}
	join := func(parts ...[]time.Duration) (all []time.Duration) {
		for _, p := range parts {
			all = append(all, p...)
		}
		return all
	}
	for _, row := range []struct {
		name      string
		intervals []time.Duration
		lost      []int
	}{
		{"none", even(50, 10*ms), nil},
		{"one scan", join(even(20, 10*ms), even(1, 20*ms), even(20, 10*ms)), []int{1}},
		{"many at once", join(even(20, 4*ms), even(1, 404*ms), even(20, 4*ms)), []int{100}},
		{"an unsteady trigger loses nothing", join(even(20, 10*ms), []time.Duration{14 * ms, 6 * ms, 15 * ms, 5 * ms, 10 * ms}, even(5, 10*ms)), nil},
		{"a trigger that became slower", join(even(20, 10*ms), even(40, 100*ms), even(1, 200*ms)), []int{9, 9, 9, 9, 9, 9, 9, 9, 9, 1}},
		{"a trigger that became faster", join(even(20, 10*ms), even(200, 5*ms), even(1, 10*ms)), []int{1}},
	} {
		t.Run(row.name, func(t *testing.T) {
			ref := time.Now()
			s := pairs(t, ref.Add(-time.Hour))
			var lost []int
			s.overrun = func(from, until time.Time, n int) {
				assert.True(t, until.After(from))
				lost = append(lost, n)
			}
			stamp := int64(0)
			for i, d := range row.intervals {
				stamp += int64(d)
				s.take(nil, pair(int16(i), stamp), instant{clock: int64(time.Minute), at: ref})
			}
			assert.Equal(t, row.lost, lost)
		})
	}
}

// Thinning keeps the rhythm that was asked for, and every reading where there are no more than that.
func TestThinning(t *testing.T) {
	for _, row := range []struct {
		name            string
		every, asked    time.Duration
		scans, readings int
	}{
		{"a converter ten times faster", ms, 10 * ms, 1000, 100},
		{"not a whole number of times", 4 * ms, 10 * ms, 1000, 400},
		{"as many as asked for", 10 * ms, 10 * ms, 100, 100},
		{"hardly more", 9 * ms, 10 * ms, 100, 91},
		{"fewer", 30 * ms, 10 * ms, 100, 100},
		{"all", ms, 0, 100, 100},
	} {
		t.Run(row.name, func(t *testing.T) {
			ref := time.Now()
			s := pairs(t, ref.Add(-time.Hour))
			s.thin.period = row.asked
			var got []analog.Reading
			for i := range row.scans {
				got = s.take(got, pair(int16(i), int64(i)*int64(row.every)), instant{clock: int64(time.Minute), at: ref})
			}
			assert.InDelta(t, row.readings, len(got), 2)
			for i := learning + 1; i+1 < len(got); i++ {
				assert.LessOrEqual(t, got[i+1].At.Sub(got[i].At), max(row.asked+row.every, row.every))
			}
		})
	}
}

func BenchmarkScans(b *testing.B) {
	s := pairs(&testing.T{}, time.Now().Add(-time.Hour))
	ref := time.Now()
	var queue []analog.Reading
	bytes := make([]byte, 0, 16*64)
	b.ReportAllocs()
	stamp := int64(0)
	for b.Loop() {
		bytes = bytes[:0]
		for range 64 {
			stamp++
			bytes = append(bytes, pair(1, stamp)...)
		}
		queue = s.take(queue[:0], bytes, instant{clock: stamp, at: ref})
	}
}
