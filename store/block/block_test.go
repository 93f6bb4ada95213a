package block

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const (
	ms = time.Millisecond
	us = time.Microsecond
)

// drive is a stretch of a drive: twelve parameters in answers of two, about 60 readings a second, and an analog input
// at 100 a second, in the order of instants. Synthetic, from a fixed seed.
func drive(seed uint64, length time.Duration) []Sample {
	r := rand.New(rand.NewPCG(seed, 1))
	var all []Sample
	codes := make([]int64, 12)
	next, pid := time.Duration(0), 0
	for at := time.Duration(0); at < length; at += 10 * ms {
		for ; next <= at; next += time.Duration(33+r.NormFloat64()*1.5) * ms {
			half := time.Duration(12+r.NormFloat64()) * ms
			for range 2 {
				codes[pid] += int64(r.NormFloat64() * 20)
				all = append(all, Sample{At: next, Half: half.Abs(), Channel: uint16(pid), Code: codes[pid]})
				pid = (pid + 1) % 12
			}
		}
		late := time.Duration(math.Abs(r.NormFloat64()) * 60e3)
		all = append(all, Sample{At: at + late, Half: 580 * us, Channel: 12, Code: 16000 + int64(r.NormFloat64()*3)})
	}
	return all
}

func encode(t testing.TB, h Header, samples []Sample) []byte {
	t.Helper()
	b, err := Append(nil, h, samples)
	require.NoError(t, err)
	return b
}

func decode(t testing.TB, b []byte) []Sample {
	t.Helper()
	_, samples, err := Decode(b, nil)
	require.NoError(t, err)
	return samples
}

func TestRoundTrip(t *testing.T) {
	farthest := (MaxInstant - maxTick).Truncate(us)
	for _, row := range []struct {
		name    string
		samples []Sample // in the order and on the ticks and half widths that a block holds
	}{
		{"one reading of nothing", []Sample{{}}},
		{"one reading", []Sample{{At: 1500 * ms, Half: 896 * us, Channel: 3, Code: 0x1AF8, Flags: 1}}},
		{"readings of one instant", []Sample{{At: 20 * ms, Half: 15 * us, Channel: 0, Code: 1}, {At: 20 * ms, Half: 15 * us, Channel: 1, Code: 2}, {At: 20 * ms, Half: 15 * us, Channel: 2, Code: 3}}},
		{"in any order of channels", []Sample{{At: 20 * ms, Channel: 7, Code: 1}, {At: 20 * ms, Channel: 2, Code: 2}, {At: 20 * ms, Channel: 5, Code: 3}}},
		{"equal instants of different bounds", []Sample{{At: ms, Half: us, Code: 1}, {At: ms, Half: 2 * us, Code: 2}}},
		{"the same channel twice in one instant", []Sample{{At: ms, Code: 1}, {At: ms, Code: -1}}},
		{"instants before the clock", []Sample{{At: -time.Hour}, {At: -3 * time.Second}, {At: 0}, {At: time.Second}}},
		{"codes whose difference overflows", []Sample{{Code: math.MaxInt64}, {Code: math.MinInt64}, {Code: 0}, {Code: -1}, {Code: math.MaxInt64}}},
		{"the highest channel", []Sample{{Channel: 0xFFFF, Code: 7}, {Channel: 0, Code: 8}, {Channel: 0xFFFF, Code: 9}}},
		{"flags that come and go", []Sample{{Flags: 1}, {Flags: 1}, {Flags: 0}, {Flags: 255}, {Flags: 2}}},
		{"the farthest instants", []Sample{{At: -farthest}, {At: farthest}}},
		{"five seconds of a drive", decode(t, encode(t, Header{Tick: us}, drive(7, 5*time.Second)))},
		{"one second of a timer alone", timer(3, 100, 10*ms, 40*us)},
	} {
		t.Run(row.name, func(t *testing.T) {
			b := encode(t, Header{Session: 12, Sequence: 345, Tick: us}, row.samples)
			h, got, err := Decode(b, nil)
			require.NoError(t, err)
			want := row.samples
			assert.Equal(t, want, got)
			assert.Equal(t, Header{Version: Version, Session: 12, Sequence: 345, Tick: us,
				First: want[0].At, Last: want[len(want)-1].At, Count: len(want), Length: len(b)}, h)
			only, err := ReadHeader(b)
			require.NoError(t, err)
			assert.Equal(t, h, only)
		})
	}
}

// timer is a channel that is read by a timer: late by a jitter, and one reading in ten left out.
func timer(seed uint64, n int, period, jitter time.Duration) (all []Sample) {
	r := rand.New(rand.NewPCG(seed, 2))
	for i := range n {
		if r.IntN(10) > 0 {
			late := time.Duration(r.Int64N(int64(jitter/us)+1)) * us
			all = append(all, Sample{At: time.Duration(i)*period + late, Half: 14 * us, Channel: 13, Code: r.Int64N(100)})
		}
	}
	return all
}

func TestReadingsAreHeldInTheOrderOfInstants(t *testing.T) {
	given := []Sample{{At: 3 * ms, Channel: 1, Code: 1}, {At: ms, Channel: 2, Code: 2}, {At: 3 * ms, Channel: 0, Code: 3}, {At: ms, Channel: 2, Code: 4}}
	b := encode(t, Header{}, given)
	assert.Equal(t, []Sample{given[1], given[3], given[0], given[2]}, decode(t, b))
	h, err := ReadHeader(b)
	require.NoError(t, err)
	assert.Equal(t, ms, h.First)
	assert.Equal(t, 3*ms, h.Last)
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
	for _, tick := range []time.Duration{1, 10, us, 100 * us, ms, time.Second} {
		given := make(map[int64]Sample)
		var samples []Sample
		for i := range int64(500) {
			s := Sample{At: time.Duration(r.Int64N(2e12) - 1e12), Half: time.Duration(r.Int64N(3e7)), Code: i}
			samples, given[i] = append(samples, s), s
		}
		got := decode(t, encode(t, Header{Tick: tick}, samples))
		for _, g := range got {
			s := given[g.Code]
			moved := (g.At - s.At).Abs()
			assert.LessOrEqual(t, moved, (tick+1)/2, "%v at %v", s, tick)
			assert.GreaterOrEqual(t, g.Half, s.Half+moved, "%v at %v", s, tick)
			assert.LessOrEqual(t, g.Half, (s.Half+2*tick)*9/8, "%v at %v", s, tick)
		}
		assert.Equal(t, got, decode(t, encode(t, Header{Tick: tick}, got)), "a tick of %v", tick)
	}
}

// CRC-32C of 32 zero bytes is in RFC 3720, appendix B.4; the zigzag pairs are in the Protocol Buffers encoding guide.
func TestPublishedVectors(t *testing.T) {
	assert.Equal(t, uint32(0x8A9136AA), crc32.Checksum(make([]byte, 32), castagnoli))
	for signed, unsigned := range map[int64]uint64{0: 0, -1: 1, 1: 2, -2: 3, 0x7FFFFFFF: 0xFFFFFFFE, -0x80000000: 0xFFFFFFFF} {
		assert.Equal(t, unsigned, zigzag(signed))
		assert.Equal(t, signed, unzigzag(unsigned))
	}
}

// fromBits packs ones and zeros, the first highest.
func fromBits(parts ...string) (b []byte) {
	text := strings.Join(parts, "")
	text += strings.Repeat("0", (8-len(text)%8)%8)
	for i := 0; i < len(text); i += 8 {
		v, err := strconv.ParseUint(text[i:i+8], 2, 8)
		if err != nil {
			panic(err)
		}
		b = append(b, byte(v))
	}
	return b
}

// seal puts an envelope around what it holds.
func seal(version byte, inside []byte) []byte {
	b := append([]byte{'u', 'd', 'B', 'k', version, 0, 0, 0, 0, 0, 0, 0}, inside...)
	return reseal(append(b, 0, 0, 0, 0))
}

// reseal makes length and checksum right again, as somebody would who means harm.
func reseal(b []byte) []byte {
	if len(b) < leastBlock {
		return b
	}
	binary.BigEndian.PutUint32(b[8:], uint32(len(b)))
	binary.BigEndian.PutUint32(b[len(b)-4:], crc32.Checksum(b[:len(b)-4], crc32.MakeTable(crc32.Castagnoli)))
	return b
}

// What the drawing in the package comment says of the readings of byHand, written down by hand.
var (
	handHeader   = []byte{12, 1, 0xA0, 0x8D, 0x06, 3, 20, 0x96, 0x01}            // session, sequence, 100 000 ns, readings, 10 ticks, 150 ticks on
	handChannels = "1001" + "0111" + "0" + "0101" + "0"                          // two: 5, then 9; both in the log
	handRequests = "100000001"                                                   // two
	handSizes    = "0100" + "1" + "1" + "00" + "00" + "0"                        // 2−1; 1−1: by nothing, flat, centre 0
	handSteps    = "100000000" + "1" + "1" + "00" + "00" + "1" + "0000100111100" // 0; 150: by nothing, flat, centre 150
	handBounds   = "0100100" + "1" + "1" + "00" + "00" + "1" + "11100"           // 10; 6: by nothing, flat, centre 6
	handRanks    = "100" + "1" + "1" + "00" + "10" + "0" + "00000" + "1" + "001" // 0; 0 and 2+0: by nothing, above 0, k = 0
	handCodes5   = "000000011011000110000" + "1" + "1" + "00" + "00" + "1" + "10001"
	handCodes9   = "1000010"
	handFlags    = "10" + "1" + "1" + "00" + "10" + "0" + "00000" + "1" + "001" // 0; 0 and 2: as the ranks
)

func byHand() ([]byte, []Sample) {
	body := fromBits(handChannels, handRequests, handSizes, handSteps, handBounds, handRanks, handCodes5, handCodes9, handFlags)
	return seal(2, append(slices.Clone(handHeader), body...)), []Sample{
		{At: ms, Half: ms, Channel: 5, Code: 6904},
		{At: ms, Half: ms, Channel: 9, Code: 1},
		{At: 16 * ms, Half: 600 * us, Channel: 5, Code: -1, Flags: 2},
	}
}

func TestLayoutAsDrawn(t *testing.T) {
	b, want := byHand()
	h, got, err := Decode(b, nil)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.Equal(t, Header{Version: 2, Session: 12, Sequence: 1, Tick: 100 * us, First: ms, Last: 16 * ms, Count: 3, Length: len(b)}, h)
	assert.Equal(t, hex.EncodeToString(b), hex.EncodeToString(encode(t, Header{Session: 12, Sequence: 1}, want)))
}

// One block of each version ever written stays in testdata and must be read for ever.
func TestOldVersionsAreRead(t *testing.T) {
	for _, row := range []struct {
		file, digest string // SHA-256 of the readings as text
		count        int
	}{
		{"testdata/version1.hex", "b5acbde112ef534285e949e7bb2dae99e0ac8448d6badce73dbdd90ee3ed3425", 324},
		{"testdata/version2.hex", "d29fcfb983643838bd9ec9ffba8ecae6ada84fe36a8c50ef49cf581fd2594551", 378},
	} {
		t.Run(row.file, func(t *testing.T) {
			text, err := os.ReadFile(row.file)
			require.NoError(t, err)
			b, err := hex.DecodeString(strings.TrimSpace(string(text)))
			require.NoError(t, err)
			h, got, err := Decode(b, nil)
			require.NoError(t, err)
			assert.Equal(t, uint64(1), h.Session)
			assert.Equal(t, row.count, len(got))
			sum := sha256.New()
			for _, s := range got {
				fmt.Fprintln(sum, int64(s.At), int64(s.Half), s.Channel, s.Code, s.Flags)
			}
			assert.Equal(t, row.digest, hex.EncodeToString(sum.Sum(nil)))
		})
	}
}

func TestDamageIsFound(t *testing.T) {
	b := encode(t, Header{Session: 1}, drive(2, 500*ms))
	into := []Sample{{Code: 42}}
	for i := range b {
		for _, flip := range []byte{0x01, 0x80, 0xFF} {
			bad := slices.Clone(b)
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

func TestWhatCannotBeStored(t *testing.T) {
	for _, row := range []struct {
		name    string
		h       Header
		samples []Sample
		text    string
	}{
		{"nothing", Header{}, nil, "0 readings"},
		{"too much", Header{}, make([]Sample, MaxSamples+1), "262145 readings"},
		{"an instant in another century", Header{}, []Sample{{}, {At: math.MaxInt64}}, "reading 1"},
		{"an instant of the last century", Header{}, []Sample{{At: math.MinInt64}}, "instant"},
		{"a negative bound", Header{}, []Sample{{Half: -1}}, "half width"},
		{"a bound of a century", Header{}, []Sample{{Half: math.MaxInt64}}, "half width"},
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

// The longest stretches of what takes no bits are within what a reader believes a block to hold.
func TestTheMostOfTheSameIsReadBack(t *testing.T) {
	same := make([]Sample, MaxSamples)
	assert.Equal(t, same, decode(t, encode(t, Header{}, same)))
	for i := range same {
		same[i].At = time.Duration(i) * ms
	}
	assert.Equal(t, same, decode(t, encode(t, Header{}, same)))
}

// FuzzDecode feeds bytes as they are and with length and checksum made right.
func FuzzDecode(f *testing.F) {
	b, _ := byHand()
	f.Add(b)
	b, _ = byHand1()
	f.Add(b)
	f.Add(encode(f, Header{Session: 1, Sequence: 1}, drive(5, 300*ms)))
	f.Add(encode(f, Header{Tick: us}, timer(1, 40, 10*ms, 50*us)))
	f.Add(encode(f, Header{Tick: time.Second}, []Sample{{At: -time.Hour, Code: math.MinInt64, Flags: 255, Channel: 0xFFFF}}))
	f.Fuzz(func(t *testing.T, b []byte) {
		survives(t, b)
		survives(t, reseal(slices.Clone(b)))
	})
}

// FuzzBody feeds what is behind the header, with a header that fits.
func FuzzBody(f *testing.F) {
	_, want := byHand()
	for _, samples := range [][]Sample{want, drive(5, 300*ms), timer(1, 40, 10*ms, 50*us), {{Code: math.MinInt64, Flags: 255, Channel: 0xFFFF}}} {
		b := encode(f, Header{Tick: us}, samples)
		h, body, err := readHeader(b)
		require.NoError(f, err)
		f.Add(uint16(h.Count), int64(h.First/us), uint64((h.Last-h.First)/us), body)
	}
	f.Fuzz(func(t *testing.T, count uint16, first int64, span uint64, body []byte) {
		h := []byte{1, 1, 0xE8, 0x07} // session, sequence, 1000 ns
		h = binary.AppendUvarint(h, uint64(count))
		h = binary.AppendVarint(h, first)
		h = binary.AppendUvarint(h, span)
		survives(t, seal(2, append(h, body...)))
	})
}

// survives decodes what may be a block. What is accepted must survive being written and read again.
func survives(t *testing.T, b []byte) {
	h, samples, err := Decode(b, nil)
	if err != nil {
		require.Empty(t, samples)
		return
	}
	if len(samples) != h.Count {
		t.Fatalf("%d readings of %d", len(samples), h.Count)
	}
	again, err := Append(nil, Header{Session: h.Session, Sequence: h.Sequence, Tick: h.Tick}, samples)
	if err != nil {
		require.ErrorIs(t, err, ErrRange) // near MaxInstant, or more than a block takes now
		return
	}
	h2, samples2, err := Decode(again, nil)
	require.NoError(t, err)
	if h.Version == Version && !slices.Equal(samples, samples2) {
		t.Fatalf("%d readings came back otherwise", len(samples))
	}
	if h.Version == Version {
		h.Length, h2.Length = 0, 0
		require.Equal(t, h, h2)
	}
	require.Equal(t, len(samples), len(samples2))
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
