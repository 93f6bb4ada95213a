package block_test

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/gzip"
	"fmt"
	"math"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/require"

	"underdash/store/block"
	"underdash/store/storetest"
)

// flush is how much of a drive goes into a block.
const flush = 5 * time.Second

// blocks encodes a drive as the recorder would.
func blocks(t testing.TB, samples []block.Sample, tick time.Duration) (all [][]byte, size int) {
	t.Helper()
	for from := 0; from < len(samples); {
		to := from
		for to < len(samples) && samples[to].At/flush == samples[from].At/flush {
			to++
		}
		b, err := block.Append(nil, block.Header{Session: 1, Sequence: uint64(len(all)), Tick: tick}, samples[from:to])
		require.NoError(t, err)
		all, size = append(all, b), size+len(b)
		from = to
	}
	return all, size
}

// TestNumbersStoreBlocks measures the codec on the reference drive, against what else there is.
func TestNumbersStoreBlocks(t *testing.T) {
	quick, seed := storetest.Numbers(t)
	length, slack, least := time.Hour, 1.0, 20e6
	if quick {
		length, slack, least = 10*time.Minute, 1.05, 5e6
	}
	drive := storetest.Reference{Seed: seed, Length: length}.Samples()
	hours := length.Hours()
	kib := func(n int) float64 { return float64(n) / 1024 / hours }

	_, fine := blocks(t, drive, time.Microsecond)
	for _, other := range []struct {
		name  string
		bytes int
		most  float64
	}{
		{"entropy floor", entropyFloor(drive, time.Microsecond), 1.20},
		{"Parquet, by channel, delta, zstd", parquetBytes(t, drive, time.Microsecond), 0.80},
		{"XOR float chunks of the codes", min(xorBytes(drive, time.Microsecond, paperWidths), xorBytes(drive, time.Microsecond, wideWidths)), 0.55},
		{"CSV gzipped", csvBytes(t, drive), 0.30},
	} {
		ratio := float64(fine) / float64(other.bytes)
		storetest.Number(fmt.Sprintf("blocks at 1 µs, %.0f KiB/h, of %s, %.0f", kib(fine), other.name, kib(other.bytes)),
			fmt.Sprintf("%.3f", ratio), fmt.Sprintf("%.3g", other.most*slack), ratio <= other.most*slack)
	}
	coarse, size := blocks(t, drive, block.DefaultTick)
	storetest.Number("blocks at 100 µs, half widths that do not vary", fmt.Sprintf("%.0f KiB/h", kib(size)), fmt.Sprintf("%.0f KiB/h", 700*slack), kib(size) <= 700*slack)
	_, bounds := blocks(t, storetest.Reference{Seed: seed, Length: length, Bounds: true}.Samples(), block.DefaultTick)
	storetest.Number("blocks at 100 µs, half widths that vary by 1 ms rms, which has a bound of its own", fmt.Sprintf("%.0f KiB/h", kib(bounds)), fmt.Sprintf("%.0f KiB/h", 800*slack), kib(bounds) <= 800*slack)

	rate := decodeRate(t, coarse)
	storetest.Number("decoding blocks, readings of one core", fmt.Sprintf("%.1f M/s", rate/1e6), fmt.Sprintf("%.0f M/s", least/1e6), rate >= least)
}

// decodeRate is how many readings are decoded in a second of processor time, in the best of several rounds.
func decodeRate(t *testing.T, encoded [][]byte) (perSecond float64) {
	var samples []block.Sample
	for range 9 {
		n := 0
		runtime.GC()
		before := storetest.CPU()
		for _, b := range encoded {
			var err error
			_, samples, err = block.Decode(b, samples[:0])
			require.NoError(t, err)
			n += len(samples)
		}
		perSecond = max(perSecond, float64(n)/(storetest.CPU()-before).Seconds())
	}
	return perSecond
}

// entropyFloor is what an ideal coder that knows the distributions of the whole drive beforehand, and takes each
// number for itself, would need: the order-0 entropy of
//
//   - the distance of each polled reading's instant to the one polled before,
//   - the distance of each analog reading's instant to the nominal grid,
//   - each channel's codes behind the best fixed predictor of order 0 to 4.
//
// Which channel was polled is taken to be free, and so are half widths and flags, which do not vary.
func entropyFloor(samples []block.Sample, tick time.Duration) (n int) {
	codes := make(map[uint16][]int64)
	var polled, grid []int64
	last, converted := int64(0), 0
	for _, s := range samples {
		codes[s.Channel] = append(codes[s.Channel], s.Code)
		at := int64(s.At.Round(tick) / tick)
		if s.Channel == storetest.ReferenceAnalog {
			nominal := time.Duration(converted) * storetest.ReferencePeriod
			grid = append(grid, at-int64(nominal/tick))
			converted++
			continue
		}
		polled = append(polled, at-last)
		last = at
	}
	total := entropy(polled) + entropy(grid)
	for _, c := range codes {
		least := math.Inf(1)
		for range 5 {
			least = min(least, entropy(c))
			c = differences(c)
		}
		total += least
	}
	return int(total / 8)
}

// entropy is the order-0 entropy of all of x, in bits.
func entropy(x []int64) (bits float64) {
	times := make(map[int64]int)
	for _, v := range x {
		times[v]++
	}
	for _, n := range times {
		bits -= float64(n) * math.Log2(float64(n)/float64(len(x)))
	}
	return bits
}

func differences(x []int64) []int64 {
	d := make([]int64, len(x)-1)
	for i := range d {
		d[i] = x[i+1] - x[i]
	}
	return d
}

// row is a reading in a table of all channels.
type row struct {
	Channel int32 `parquet:"channel,delta"`
	At      int64 `parquet:"t,delta"`
	Code    int32 `parquet:"code,delta"`
}

// parquetBytes is the size of one file, one row group, sorted by channel and instant, delta packed, zstd.
func parquetBytes(t *testing.T, samples []block.Sample, tick time.Duration) int {
	rows := make([]row, len(samples))
	for i, s := range samples {
		rows[i] = row{int32(s.Channel), int64(s.At.Round(tick) / tick), int32(s.Code)}
	}
	slices.SortStableFunc(rows, func(a, b row) int { return cmp.Compare(a.Channel, b.Channel) })
	var file bytes.Buffer
	w := parquet.NewGenericWriter[row](&file, parquet.Compression(&parquet.Zstd))
	_, err := w.Write(rows)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	return file.Len()
}

// csvBytes is the size of a table of one line a reading, time, channel and quantity, through gzip. A quantity has the
// decimals that tell neighbouring codes apart.
func csvBytes(t *testing.T, samples []block.Sample) int {
	var file bytes.Buffer
	z := gzip.NewWriter(&file)
	w := bufio.NewWriter(z)
	for _, s := range samples {
		name, value, decimals := storetest.ReferenceQuantity(s)
		fmt.Fprintf(w, "%.6f,%s,%.*f\r\n", s.At.Seconds(), name, decimals, value)
	}
	require.NoError(t, w.Flush())
	require.NoError(t, z.Close())
	return file.Len()
}
