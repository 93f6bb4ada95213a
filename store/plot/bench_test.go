package plot

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/storetest"
)

// stored is the reference drive in a file, in blocks of two seconds as a recorder writes them.
func stored(b *testing.B, length time.Duration) Open {
	g := reference(length)
	var blocks [][]store.Sample
	for rest := g.samples; len(rest) > 0; {
		end := rest[0].At + 2*time.Second
		n := slices.IndexFunc(rest, func(s store.Sample) bool { return s.At >= end })
		if n < 0 {
			n = len(rest)
		}
		blocks, rest = append(blocks, rest[:n]), rest[n:]
	}
	path := storetest.Session(b, storetest.Open(b), g.meta, blocks...)
	return func(context.Context) (*derive.Session, func() error, error) {
		r, err := store.OpenReader(path)
		if err != nil {
			return nil, nil, err
		}
		s, err := derive.New(r)
		return s, r.Close, err
	}
}

// cpu reports how much processor time a round took, which says more on a busy machine than the time that passed.
func cpu(b *testing.B, since time.Duration) {
	b.ReportMetric((storetest.CPU()-since).Seconds()*1e3/float64(b.N), "cpu-ms/op")
}

// twelve are the channels of a page.
var twelve = []string{"RPM", "LOAD_PCT", "MAP", "TP", "MAF", "VSS", "SHRTFT1", "SPARKADV", "ECT", "wideband", "wideband lambda", "wideband AFR"}

// BenchmarkFirst is the first answer for an hour, the file opened and decoded.
func BenchmarkFirst(b *testing.B) {
	open := stored(b, time.Hour)
	var size int
	b.ReportAllocs()
	b.ResetTimer()
	begun := storetest.CPU()
	for b.Loop() {
		c := New(Options{})
		_, err := c.Plot(b.Context(), "a", open, Request{Channels: twelve})
		require.NoError(b, err)
		size = c.size()
	}
	cpu(b, begun)
	b.ReportMetric(float64(size)/1e6, "MB-kept")
}

// BenchmarkAgain are later answers for twelve channels: of the hour, of a part, and as JSON.
func BenchmarkAgain(b *testing.B) {
	open := stored(b, time.Hour)
	c := New(Options{})
	for _, row := range []struct {
		name string
		q    Request
		json bool
	}{
		{"hour", Request{}, false},
		{"hour as JSON", Request{}, true},
		{"hour, most points", Request{Points: MaxPoints}, false},
		{"ten minutes", Request{From: 20 * time.Minute, To: 30 * time.Minute}, false},
		{"a minute", Request{From: 20 * time.Minute, To: 21 * time.Minute}, false},
		{"five seconds", Request{From: 20 * time.Minute, To: 20*time.Minute + 5*time.Second}, false},
	} {
		row.q.Channels = twelve
		b.Run(row.name, func(b *testing.B) {
			_, err := c.Plot(b.Context(), "a", open, row.q)
			require.NoError(b, err)
			bytes := 0
			begun := storetest.CPU()
			for b.Loop() {
				p, err := c.Plot(b.Context(), "a", open, row.q)
				require.NoError(b, err)
				if row.json {
					text, err := p.MarshalJSON()
					require.NoError(b, err)
					bytes = len(text)
				}
			}
			cpu(b, begun)
			if row.json {
				b.ReportMetric(float64(bytes)/1e3, "kB")
			}
		})
	}
}

// BenchmarkLong is a session of six hours: the first answer, a range that has to be decoded again, and next to it.
func BenchmarkLong(b *testing.B) {
	open := stored(b, 6*time.Hour)
	c := New(Options{})
	b.Run("first", func(b *testing.B) {
		for b.Loop() {
			c = New(Options{})
			_, err := c.Plot(b.Context(), "a", open, Request{Channels: twelve})
			require.NoError(b, err)
		}
	})
	for _, row := range []struct {
		name   string
		length time.Duration
	}{{"all", 6 * time.Hour}, {"an hour", time.Hour}, {"a minute", time.Minute}} {
		b.Run(row.name, func(b *testing.B) {
			for b.Loop() {
				_, err := c.Plot(b.Context(), "a", open, Request{Channels: twelve, From: 3 * time.Hour, To: 3*time.Hour + row.length})
				require.NoError(b, err)
			}
		})
	}
	b.ReportMetric(float64(c.size())/1e6, "MB-kept")
}
