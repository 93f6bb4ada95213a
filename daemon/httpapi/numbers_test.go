package httpapi

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"path/filepath"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
	"underdash/store/storetest"
)

// fullParameters are what a fast adapter reads beside the wideband, a hundred answers a second in all, as from the virtual car.
var fullParameters = []byte{0x0C, 0x0B, 0x11, 0x0D, 0x05, 0x0F, 0x06, 0x07, 0x0E, 0x04}

// fullMeta is a session of the wideband and ten quantities of an engine computer.
func fullMeta() store.Meta {
	m := wideMeta()
	m.Channels = m.Channels[2:]
	for _, p := range fullParameters {
		bytes := 1
		if p == 0x0C {
			bytes = 2
		}
		m.Channels = append(m.Channels, store.Channel{Name: fmt.Sprintf("01%02X", p), OBD: &store.OBDChannel{Service: 1, PID: p, From: 0x7E8, Bytes: bytes}})
	}
	return m
}

// fullReadings are so much of a drive of fullMeta.
func fullReadings(length time.Duration) (blocks [][]store.Sample) {
	random := rand.New(rand.NewPCG(2, 2))
	var b []store.Sample
	for i := range int(length / (10 * time.Millisecond)) {
		at := time.Duration(i) * 10 * time.Millisecond
		t := at.Seconds()
		b = append(b, store.Sample{At: at, Half: time.Duration(100+random.IntN(100)) * time.Microsecond, Code: int64(2500 + 900*math.Sin(t/3) + 40*math.Sin(t*17) + 3*random.NormFloat64())})
		channel := 1 + i%len(fullParameters)
		code := 100 + 60*math.Sin(t/float64(5+channel)) + random.NormFloat64()
		if channel == 1 {
			code *= 90
		}
		b = append(b, store.Sample{At: at + time.Duration(1+random.IntN(8000))*time.Microsecond, Half: time.Duration(4000+random.IntN(4000)) * time.Microsecond, Channel: uint16(channel), Code: int64(code)})
		if len(b) >= 400 {
			blocks, b = append(blocks, b), nil
		}
	}
	return append(blocks, b)
}

// fetch downloads an address to nowhere, and says how long the first byte and the whole took.
func (l *logger) fetch(url string) (n int64, first, whole time.Duration) {
	r, err := http.NewRequestWithContext(l.t.Context(), http.MethodGet, url, nil)
	require.NoError(l.t, err)
	r.Header.Set("Authorization", "Bearer "+l.token)
	began := time.Now()
	response, err := l.client.Do(r)
	require.NoError(l.t, err)
	defer func() { _ = response.Body.Close() }()
	require.Equal(l.t, http.StatusOK, response.StatusCode)
	one := make([]byte, 1)
	_, err = io.ReadFull(response.Body, one)
	require.NoError(l.t, err)
	first = time.Since(began)
	n, err = io.Copy(io.Discard, response.Body)
	require.NoError(l.t, err)
	return n + 1, first, time.Since(began)
}

// plainFiles serves a directory by the standard library alone.
func plainFiles(t *testing.T, dir string) (base string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := &http.Server{Handler: http.FileServer(http.Dir(dir)), ReadHeaderTimeout: headerTime}
	var serving sync.WaitGroup
	serving.Go(func() { _ = server.Serve(l) })
	t.Cleanup(func() {
		assert.NoError(t, server.Shutdown(context.Background()))
		serving.Wait()
	})
	return "http://" + l.Addr().String()
}

// TestNumbersWifiDownloads measures downloads of one session over loopback, each beside what it is compared with.
func TestNumbersWifiDownloads(t *testing.T) {
	quick, _ := storetest.Numbers(t)
	length, times, share := time.Hour, 7, 0.8
	if quick { // a file of 0.2 MB is mostly its request, which looks at who may come in
		length, times, share = 10*time.Minute, 7, 0.2
	}
	l := startLoggerWith(t, fullMeta(), fullReadings(length))
	files := plainFiles(t, l.store.Dir())
	t.Cleanup(l.client.CloseIdleConnections)
	path, err := store.Find(l.store.Dir(), "last")
	require.NoError(t, err)
	session := l.base + prefix + "/sessions/" + l.id()

	// The file is small beside what loopback takes in a measurable time: so many times each.
	const often = 40
	var size int64
	download := func(url string) func() time.Duration {
		return func() (all time.Duration) {
			for range often {
				n, _, took := l.fetch(url)
				size, all = n, all+took
			}
			return all
		}
	}
	plain, ours := download(files+"/"+filepath.Base(path)), download(session+"/file")
	plain()
	ours()
	var ratios []float64
	for range times {
		ratios = append(ratios, plain().Seconds()/ours().Seconds())
	}
	slices.Sort(ratios)
	ratio := ratios[len(ratios)/2]
	storetest.Number(fmt.Sprintf("sealed file of %v, %.1f MB, against the library's file server", length, float64(size)/1e6), fmt.Sprintf("%.2f", ratio), fmt.Sprintf("%.2f", share), ratio >= share)

	reader, err := store.OpenReader(path)
	require.NoError(t, err)
	defer func() { assert.NoError(t, reader.Close()) }()
	var memory bytes.Buffer
	encode := func() time.Duration {
		memory.Reset()
		began := time.Now()
		s, err := derive.NewWith(reader, derive.Options{Aligned: true, Uncertainty: true})
		require.NoError(t, err)
		require.NoError(t, export.CSV(&memory, s))
		return time.Since(began)
	}
	encode()
	var firsts []time.Duration
	overNet := func() time.Duration {
		n, first, took := l.fetch(session + "/exports/csv")
		require.EqualValues(t, memory.Len(), n)
		firsts = append(firsts, first)
		return took
	}
	ratios = ratios[:0]
	for range max(3, times/2) {
		ratios = append(ratios, encode().Seconds()/overNet().Seconds())
	}
	slices.Sort(ratios)
	ratio = ratios[len(ratios)/2]
	storetest.Number(fmt.Sprintf("CSV of %v, %.0f MB, against the encoder to memory", length, float64(memory.Len())/1e6), fmt.Sprintf("%.2f", ratio), fmt.Sprintf("%.2f", share), ratio >= share)
	for _, options := range []string{"?aligned=false", "?rate=10", "?rate=10&aligned=false"} {
		_, first, _ := l.fetch(session + "/exports/csv" + options)
		firsts = append(firsts, first)
	}
	worst, bound := slices.Max(firsts), 100*time.Millisecond
	if quick {
		bound = time.Second
	}
	storetest.Number(fmt.Sprintf("first byte of an export, worst of %d", len(firsts)), worst.Round(100*time.Microsecond).String(), bound.String(), worst <= bound)
}

// TestNumbersWifiMemory measures what ten downloads at once add: all the exports that are let go on, and files.
func TestNumbersWifiMemory(t *testing.T) {
	quick, _ := storetest.Numbers(t)
	length := time.Hour
	if quick {
		length = 10 * time.Minute
	}
	l := startLoggerWith(t, fullMeta(), fullReadings(length))
	session := l.base + prefix + "/sessions/" + l.id()
	l.fetch(session + "/exports/csv") // what is kept from then on is not the downloads'
	l.fetch(session + "/file")
	used := func() uint64 {
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapInuse + m.StackInuse
	}
	runtime.GC()
	before := used()
	var downloads sync.WaitGroup
	over := make(chan struct{})
	for i := range 10 {
		url := session + "/file"
		again := 20
		if i < mostExports {
			url, again = session+"/exports/csv", 1
		}
		downloads.Go(func() {
			for range again {
				l.fetch(url)
			}
		})
	}
	var watching sync.WaitGroup
	most := before
	watching.Go(func() {
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-over:
				return
			case <-tick.C:
				most = max(most, used())
			}
		}
	})
	downloads.Wait()
	close(over)
	watching.Wait()
	added := float64(most-before) / 1e6
	storetest.Number(fmt.Sprintf("memory that ten downloads at once add, %d exports and %d files of %v", mostExports, 10-mostExports, length), fmt.Sprintf("%.1f MB", added), "20 MB", added <= 20)
}
