package block

import (
	"encoding/binary"
	"encoding/hex"
	"flag"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "rewrite the files in testdata")

const ms = time.Millisecond

// drive is a stretch of a drive: twelve parameters in answers of one to three, about 60 readings a second, and an
// analog input at 100 a second, in the order of arrival. Synthetic, from a fixed seed.
func drive(seed uint64, length time.Duration) []Sample {
	r := rand.New(rand.NewPCG(seed, 1))
	var all []Sample
	codes := make([]int64, 12)
	next, pid := time.Duration(0), 0
	for at := time.Duration(0); at < length; at += 10 * ms {
		jitter := time.Duration(r.NormFloat64() * float64(60*time.Microsecond))
		all = append(all, Sample{At: at + jitter, Half: 580 * time.Microsecond, Channel: 12, Code: 16000 + int64(r.NormFloat64()*3)})
		for ; next <= at; next += time.Duration(33+r.NormFloat64()*1.5) * ms {
			half := time.Duration(12+r.NormFloat64()) * ms
			for range 2 {
				codes[pid] += int64(r.NormFloat64() * 20)
				all = append(all, Sample{At: next - half, Half: half.Abs(), Channel: uint16(pid), Code: codes[pid]})
				pid = (pid + 1) % 12
			}
		}
	}
	return all
}

func encode(t testing.TB, h Header, samples []Sample) []byte {
	t.Helper()
	b, err := Append(nil, h, samples)
	require.NoError(t, err)
	return b
}

func TestRoundTrip(t *testing.T) {
	farthest := (MaxInstant - maxTick).Truncate(time.Microsecond)
	for _, row := range []struct {
		name    string
		samples []Sample
	}{
		{"one reading of nothing", []Sample{{}}},
		{"one reading", []Sample{{At: 1500 * ms, Half: ms, Channel: 3, Code: 0x1AF8, Flags: 1}}},
		{"readings of one instant", []Sample{
			{At: 20 * ms, Half: 5 * ms, Channel: 0, Code: 1}, {At: 20 * ms, Half: 5 * ms, Channel: 1, Code: 2}, {At: 20 * ms, Half: 5 * ms, Channel: 2, Code: 3}}},
		{"equal instants of different bounds", []Sample{{At: ms, Half: ms, Code: 1}, {At: ms, Half: 2 * ms, Code: 2}}},
		{"the same channel twice in one instant", []Sample{{At: ms, Code: 1}, {At: ms, Code: -1}}},
		{"instants before the clock and going back", []Sample{{At: -3 * time.Second}, {At: time.Second}, {At: -time.Hour}, {At: 0}}},
		{"codes whose difference overflows", []Sample{{Code: math.MaxInt64}, {Code: math.MinInt64}, {Code: 0}, {Code: -1}, {Code: math.MaxInt64}}},
		{"the highest channel", []Sample{{Channel: 0xFFFF, Code: 7}, {Channel: 0, Code: 8}, {Channel: 0xFFFF, Code: 9}}},
		{"flags that come and go", []Sample{{Flags: 1}, {Flags: 1}, {Flags: 0}, {Flags: 255}, {Flags: 2}}},
		{"the farthest instants", []Sample{{At: farthest}, {At: -farthest}, {At: farthest, Half: farthest}}},
		{"five seconds of a drive", round(drive(7, 5*time.Second))},
	} {
		t.Run(row.name, func(t *testing.T) {
			b := encode(t, Header{Session: 12, Sequence: 345}, row.samples)
			h, got, err := Decode(b, nil)
			require.NoError(t, err)
			want := row.samples
			assert.Equal(t, want, got)
			last := want[0].At
			for _, s := range want {
				last = max(last, s.At)
			}
			assert.Equal(t, Header{Version: Version, Session: 12, Sequence: 345, Tick: time.Microsecond,
				First: want[0].At, Last: last, Count: len(want), Length: len(b)}, h)
			only, err := ReadHeader(b)
			require.NoError(t, err)
			assert.Equal(t, h, only)
		})
	}
}

func round(samples []Sample) []Sample {
	for i := range samples {
		samples[i].At, samples[i].Half = samples[i].At.Round(time.Microsecond), samples[i].Half.Round(time.Microsecond)
	}
	return samples
}

func TestAppendAndDecodeKeepWhatWasThere(t *testing.T) {
	b, err := Append([]byte("before"), Header{}, []Sample{{Code: 5}})
	require.NoError(t, err)
	assert.Equal(t, "before", string(b[:6]))
	_, got, err := Decode(b[6:], []Sample{{Code: 4}})
	require.NoError(t, err)
	assert.Equal(t, []Sample{{Code: 4}, {Code: 5}}, got)
}

// The stored span must hold the given one whatever the resolution, and storing what was read back must not widen it.
func TestRoundingStaysInsideTheBound(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for _, tick := range []time.Duration{1, 10, time.Microsecond, 100 * time.Microsecond, ms, time.Second} {
		var samples []Sample
		for range 500 {
			samples = append(samples, Sample{At: time.Duration(r.Int64N(2e12) - 1e12), Half: time.Duration(r.Int64N(3e7))})
		}
		_, got, err := Decode(encode(t, Header{Tick: tick}, samples), nil)
		require.NoError(t, err)
		for i, s := range samples {
			moved := (got[i].At - s.At).Abs()
			assert.LessOrEqual(t, moved, (tick+1)/2, "%v at %v", s, tick)
			assert.GreaterOrEqual(t, got[i].Half, s.Half+moved, "%v at %v", s, tick)
			assert.Less(t, got[i].Half, s.Half+moved+tick, "%v at %v", s, tick)
		}
		_, again, err := Decode(encode(t, Header{Tick: tick}, got), nil)
		require.NoError(t, err)
		assert.Equal(t, got, again)
	}
}

// The checksum and the varints are published: CRC-32C of 32 zero bytes is in RFC 3720, appendix B.4; 150 as 96 01
// and the zigzag pairs are in the Protocol Buffers encoding guide.
func TestPublishedVectors(t *testing.T) {
	assert.Equal(t, uint32(0x8A9136AA), crc32.Checksum(make([]byte, 32), castagnoli))
	assert.Equal(t, []byte{0x96, 0x01}, binary.AppendUvarint(nil, 150))
	for signed, unsigned := range map[int64]uint64{0: 0, -1: 1, 1: 2, -2: 3, 0x7FFFFFFF: 0xFFFFFFFE, -0x80000000: 0xFFFFFFFF} {
		assert.Equal(t, unsigned, zigzag(signed))
		assert.Equal(t, signed, unzigzag(unsigned))
	}
}

// byHand is a block written down from the drawing in the package comment, not by Append.
func byHand() ([]byte, []Sample) {
	b := []byte{
		'u', 'd', 'B', 'k', 1, 0, 0, 0,
		0, 0, 0, 0, // length, below
		0, 0, 0, 3, // readings
		0, 0, 0, 0, 0, 0, 0, 12, // session
		0, 0, 0, 0, 0, 0, 0, 1, // sequence
		0, 0, 0, 0, 0, 0, 0x03, 0xE8, // first instant, 1 000 µs
		0, 0, 0, 0, 0, 0, 0x3E, 0x80, // last instant, 16 000 µs
		0, 0, 0x03, 0xE8, // tick, 1 000 ns
		5, 0x01, 0x00, 0xE0, 0xD4, 0x03, // runs: 0·2+1 and 2−2; 15 000 ticks on: zigzag 30 000, ·2 = 60 000
		6, 2, 5, 9, 0, 1, 0, // channels: two, 5 and 9; readings of 5, 9, 5
		2, 0x14, 0x07, // halves: 10 ticks; then 4 fewer
		5, 0xF0, 0x6B, 0x02, 0xF1, 0x6B, // codes: 6904; 1; −6905 from 6904
		4, 0, 1, 2, 0, // flags: two of 0, one of 2
	}
	b = append(b, 0, 0, 0, 0)
	binary.BigEndian.PutUint32(b[8:], uint32(len(b)))
	binary.BigEndian.PutUint32(b[len(b)-4:], crc32.Checksum(b[:len(b)-4], crc32.MakeTable(crc32.Castagnoli)))
	us := time.Microsecond
	return b, []Sample{
		{At: 1000 * us, Half: 10 * us, Channel: 5, Code: 6904},
		{At: 1000 * us, Half: 10 * us, Channel: 9, Code: 1},
		{At: 16000 * us, Half: 6 * us, Channel: 5, Code: -1, Flags: 2},
	}
}

func TestLayoutAsDrawn(t *testing.T) {
	b, want := byHand()
	h, got, err := Decode(b, nil)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.Equal(t, uint64(12), h.Session)
	assert.Equal(t, hex.EncodeToString(b), hex.EncodeToString(encode(t, Header{Session: 12, Sequence: 1}, want)))
}

// One block of each version ever written stays in testdata and must be read for ever.
func TestOldVersionsAreRead(t *testing.T) {
	const file = "testdata/version1.hex"
	want := round(drive(1, 2*time.Second))
	if *update {
		text := hex.EncodeToString(encode(t, Header{Session: 1, Sequence: 2}, want))
		require.NoError(t, os.WriteFile(file, []byte(text+"\n"), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	b, err := hex.DecodeString(strings.TrimSpace(string(text)))
	require.NoError(t, err)
	_, got, err := Decode(b, nil)
	require.NoError(t, err)
	assert.Equal(t, want, got)
}

func TestDamageIsFound(t *testing.T) {
	b := encode(t, Header{Session: 1}, drive(2, 500*ms))
	into := []Sample{{Code: 42}}
	for i := range b {
		for _, flip := range []byte{0x01, 0x80, 0xFF} {
			bad := append([]byte(nil), b...)
			bad[i] ^= flip
			_, got, err := Decode(bad, into)
			require.Error(t, err, "byte %d ^ %02x", i, flip)
			assert.Len(t, got, 1)
			if i != 4 { // the version
				assert.ErrorIs(t, err, ErrDamaged, "byte %d ^ %02x", i, flip)
			}
		}
		_, _, err := Decode(b[:i], nil)
		require.ErrorIs(t, err, ErrDamaged, "cut to %d bytes", i)
	}
	_, _, err := Decode(append(b, 0), nil)
	assert.ErrorIs(t, err, ErrDamaged)
	_, _, err = Decode(nil, nil)
	assert.ErrorIs(t, err, ErrDamaged)
}

// reseal makes length and checksum right again, as somebody would who means harm.
func reseal(b []byte) []byte {
	if len(b) < headerSize+sumSize {
		return b
	}
	binary.BigEndian.PutUint32(b[8:], uint32(len(b)))
	binary.BigEndian.PutUint32(b[len(b)-4:], crc32.Checksum(b[:len(b)-4], castagnoli))
	return b
}

func TestHostileBlocksAreRefusedCheaply(t *testing.T) {
	huge := binary.AppendUvarint(nil, math.MaxUint64)
	body := func(columns ...[]byte) func([]byte) []byte {
		return func(b []byte) []byte {
			b = b[:headerSize:headerSize]
			for _, c := range columns {
				b = appendColumn(b, c)
			}
			return append(b, 0, 0, 0, 0)
		}
	}
	runs, channels := []byte{1, 0, 0xE0, 0xD4, 0x03}, []byte{2, 5, 9, 0, 1, 0}
	halves, codes, flags := []byte{0x14, 0x07}, []byte{0xF0, 0x6B, 0x02, 0xF1, 0x6B}, []byte{0, 1, 2, 0}
	for _, row := range []struct {
		name   string
		change func(b []byte) []byte
		want   error
		text   string
	}{
		{"nothing changed", body(runs, channels, halves, codes, flags), nil, ""},
		{"a newer version", func(b []byte) []byte { b[4] = 2; return b }, ErrVersion, "this program reads version 1"},
		{"a count of two thousand million", func(b []byte) []byte { binary.BigEndian.PutUint32(b[12:], math.MaxInt32); return b }, ErrDamaged, "cannot hold 2147483647"},
		{"a count with the top bit", func(b []byte) []byte { binary.BigEndian.PutUint32(b[12:], 1<<31|3); return b }, ErrDamaged, "cannot hold"},
		{"no reading", func(b []byte) []byte { b[15] = 0; return b }, ErrDamaged, "cannot hold 0"},
		{"a count one too great", func(b []byte) []byte { b[15] = 4; return b }, ErrDamaged, "reading 3"},
		{"a count one too small", func(b []byte) []byte { b[15] = 2; return b }, ErrDamaged, ""},
		{"a tick of nothing", func(b []byte) []byte { clear(b[48:52]); return b }, ErrDamaged, "tick"},
		{"a first instant far away", func(b []byte) []byte { b[32] = 0x7F; return b }, ErrDamaged, "out of range"},
		{"a last instant that is none", func(b []byte) []byte { b[47]++; return b }, ErrDamaged, "last instant"},
		{"a column as long as the world", func(b []byte) []byte { return append(append(b[:headerSize:headerSize], huge...), 0, 0, 0, 0, 0) }, ErrDamaged, "longer than the block"},
		{"a sixth column", body(runs, channels, halves, codes, flags, nil), ErrDamaged, "follow the last column"},
		{"as many channels as the world has", body(runs, huge, halves, codes, flags), ErrDamaged, "channels"},
		{"a channel above 65535", body(runs, []byte{2, 5, 0x80, 0x80, 0x04, 0, 1, 0}, halves, codes, flags), ErrDamaged, "channel 1"},
		{"a reading of no channel", body(runs, []byte{2, 5, 9, 0, 2, 0}, halves, codes, flags), ErrDamaged, "no channel"},
		{"a run beyond the block", body([]byte{1, 2}, channels, halves, codes, flags), ErrDamaged, "run that begins"},
		{"a run of everything", body(append([]byte{1}, huge...), channels, halves, codes, flags), ErrDamaged, "run that begins"},
		{"a first run that is not at the first instant", body([]byte{5, 0, 0xE0, 0xD4, 0x03}, channels, halves, codes, flags), ErrDamaged, "instant of reading 0"},
		{"a step out of time", body(append([]byte{1, 0}, binary.AppendUvarint(nil, math.MaxUint64-1)...), channels, halves, codes, flags), ErrDamaged, "instant of reading 2"},
		{"a bound below nothing", body(runs, channels, []byte{0x13, 0x07}, codes, flags), ErrDamaged, "half width"},
		{"a bound beyond everything", body(runs, channels, append(binary.AppendUvarint(nil, math.MaxUint64-1), 0), codes, flags), ErrDamaged, "half width"},
		{"a code too few", body(runs, channels, halves, codes[:3], flags), ErrDamaged, "no code"},
		{"a code too many", body(runs, channels, halves, append([]byte{0}, codes...), flags), ErrDamaged, "more than its readings"},
		{"flags of too many", body(runs, channels, halves, codes, []byte{0, 9}), ErrDamaged, "flags"},
		{"flags of too few", body(runs, channels, halves, codes, []byte{0, 1}), ErrDamaged, "flags"},
	} {
		t.Run(row.name, func(t *testing.T) {
			b, _ := byHand()
			b = reseal(row.change(b))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, _, err := Decode(b, nil)
			runtime.ReadMemStats(&after)
			require.ErrorIs(t, err, row.want)
			if row.want != nil {
				assert.ErrorContains(t, err, row.text)
			}
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(1<<16), "memory taken for %d bytes", len(b))
		})
	}
}

func TestWhatCannotBeStored(t *testing.T) {
	for _, row := range []struct {
		name    string
		h       Header
		samples []Sample
		text    string
	}{
		{"nothing", Header{}, nil, "0 readings"},
		{"too much", Header{}, make([]Sample, MaxSamples+1), "1048577 readings"},
		{"an instant in another century", Header{}, []Sample{{}, {At: math.MaxInt64}}, "reading 1"},
		{"an instant of the last century", Header{}, []Sample{{At: math.MinInt64}}, "instant"},
		{"a negative bound", Header{}, []Sample{{Half: -1}}, "half width"},
		{"a negative tick", Header{Tick: -1}, []Sample{{}}, "tick"},
		{"a tick of a minute", Header{Tick: time.Minute}, []Sample{{}}, "tick"},
	} {
		t.Run(row.name, func(t *testing.T) {
			b, err := Append([]byte("x"), row.h, row.samples)
			require.ErrorIs(t, err, ErrRange)
			assert.ErrorContains(t, err, row.text)
			assert.Equal(t, "x", string(b))
		})
	}
}

// FuzzDecode feeds bytes as they are and with length and checksum made right. What is accepted must survive being
// written and read again.
func FuzzDecode(f *testing.F) {
	b, _ := byHand()
	f.Add(b)
	f.Add(encode(f, Header{Session: 1, Sequence: 1}, drive(5, 300*ms)))
	f.Add(encode(f, Header{Tick: time.Second}, []Sample{{At: -time.Hour, Code: math.MinInt64, Flags: 255, Channel: 0xFFFF}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, b := range [][]byte{b, reseal(append([]byte(nil), b...))} {
			h, samples, err := Decode(b, nil)
			if err != nil {
				require.Empty(t, samples)
				continue
			}
			require.Len(t, samples, h.Count)
			again, err := Append(nil, Header{Session: h.Session, Sequence: h.Sequence, Tick: h.Tick}, samples)
			if err != nil {
				require.ErrorIs(t, err, ErrRange) // within a second of MaxInstant
				continue
			}
			h2, samples2, err := Decode(again, nil)
			require.NoError(t, err)
			require.Equal(t, samples, samples2)
			h.Length, h2.Length = 0, 0
			require.Equal(t, h, h2)
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	samples := drive(1, 5*time.Second)
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = Append(buf[:0], Header{}, samples)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(samples)), "ns/sample")
	b.ReportMetric(float64(len(buf))/float64(len(samples)), "B/sample")
}

func BenchmarkDecode(b *testing.B) {
	samples := drive(1, 5*time.Second)
	encoded := encode(b, Header{}, samples)
	var into []Sample
	b.ReportAllocs()
	for b.Loop() {
		_, into, _ = Decode(encoded, into[:0])
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(samples)), "ns/sample")
}
