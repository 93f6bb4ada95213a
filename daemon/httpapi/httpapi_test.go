package httpapi

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/access"
	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
	"underdash/store/storetest"
)

// standIn is a daemon that records nothing.
type standIn struct {
	mu     sync.Mutex // guards what follows
	marked []string
	meta   store.Meta
	newest []store.Sample
	clock  time.Duration
	seen   calibration.Seen
	inputs []config.Analog
}

func (d *standIn) Mark(text string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.clock == 0 {
		return ErrNoSession
	}
	d.marked = append(d.marked, text)
	return nil
}

func (d *standIn) Status() any { return map[string]any{"pid": 1, "parts": []any{}} }

func (d *standIn) Newest() (store.Meta, []store.Sample) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.meta, d.newest
}

func (d *standIn) Rates() map[uint16]float64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.meta.Channels) == 0 {
		return nil
	}
	return map[uint16]float64{0: 12.5}
}

func (d *standIn) Clock() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.clock
}

func (d *standIn) Offer(utc time.Time, _ time.Duration) (bool, error) {
	if utc.Year() < 2020 {
		return false, ErrOffer
	}
	return true, nil
}

func (d *standIn) Measure(context.Context, string, time.Duration) (calibration.Seen, error) {
	return d.seen, nil
}

func (d *standIn) Inputs() []config.Analog { return d.inputs }

// logger is a store of some sessions, served on loopback.
type logger struct {
	t      testing.TB
	store  *store.Store
	keeper *access.Keeper
	daemon *standIn
	server *Server
	base   string // http://127.0.0.1:PORT
	token  string
	stop   func()
	client *http.Client
}

// wideMeta is a session of one wideband input, whose scale is 0.5 to 4.5 V for λ 0.65 to 1.35, and two quantities of an engine computer.
func wideMeta() store.Meta {
	warmup := 5.0
	return store.Meta{Vehicle: "the blue one", Fuel: store.Fuel{Name: "e10", AFRst: 14.1},
		Anchors: []store.Anchor{{UTC: time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC), Source: store.ByReference}},
		Channels: []store.Channel{
			{Name: "010C", OBD: &store.OBDChannel{Service: 1, PID: 0x0C, From: 0x7E8, Bytes: 2}},
			{Name: "010B", OBD: &store.OBDChannel{Service: 1, PID: 0x0B, From: 0x7E8, Bytes: 1}},
			{Name: "wideband", Analog: &store.AnalogChannel{Kind: "wideband", ScaleMillivolts: 1, Divider: 1, Rate: 100,
				Low: store.Point{Volts: 0.5, Value: 0.65}, High: store.Point{Volts: 4.5, Value: 1.35}, WarmupVolts: &warmup}},
		}}
}

// readings are so much of a drive: the wideband at 100 a second, the engine's computer at 6 for each quantity.
func readings(length time.Duration) (blocks [][]store.Sample) {
	var b []store.Sample
	random := rand.New(rand.NewPCG(1, 1))
	for at := time.Duration(0); at < length; at += 10 * time.Millisecond {
		t := at.Seconds()
		b = append(b, store.Sample{At: at, Half: time.Duration(100+random.IntN(100)) * time.Microsecond, Channel: 2, Code: int64(2500 + 900*math.Sin(t/3) + 40*math.Sin(t*17) + 3*random.NormFloat64())})
		if at%(160*time.Millisecond) == 0 {
			b = append(b, store.Sample{At: at + time.Millisecond, Half: 20 * time.Millisecond, Channel: 0, Code: int64(4 * (2500 + 1400*math.Sin(t/20)))},
				store.Sample{At: at + 80*time.Millisecond, Half: 20 * time.Millisecond, Channel: 1, Code: int64(60 + 40*math.Sin(t/7))})
		}
		if len(b) > 400 {
			blocks, b = append(blocks, b), nil
		}
	}
	return append(blocks, b)
}

// startLogger serves a store with one session of the given length.
func startLogger(t testing.TB, length time.Duration) *logger {
	t.Helper()
	return startLoggerWith(t, wideMeta(), readings(length))
}

func startLoggerWith(t testing.TB, meta store.Meta, blocks [][]store.Sample) *logger {
	t.Helper()
	l := &logger{t: t, store: storetest.Open(t), client: &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 16}}}
	storetest.Session(t, l.store, meta, blocks...)
	var err error
	l.keeper, err = access.Open(t.TempDir(), access.Options{})
	require.NoError(t, err)
	warmup := 5.0
	l.daemon = &standIn{inputs: []config.Analog{{Name: "wideband", Kind: config.Wideband, Divider: 1, Low: config.Point{Volts: 0.5, Value: 0.65},
		High: config.Point{Volts: 4.5, Value: 1.35}, Warmup: &warmup, Rate: 100}}}
	l.server = New(Options{Store: l.store, Access: l.keeper, Daemon: l.daemon, Names: []string{"logger.local"}, Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
	l.serve()
	l.token, err = l.keeper.Grant(l.keeper.Code(), "", "a test")
	require.NoError(t, err)
	return l
}

func (l *logger) serve() {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(l.t, err)
	l.base = "http://" + listener.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	serving.Go(func() { assert.NoError(l.t, Serve(ctx, listener, nil, l.server)) })
	l.stop = sync.OnceFunc(func() {
		l.client.CloseIdleConnections()
		cancel()
		serving.Wait()
	})
	l.t.Cleanup(l.stop)
}

// request makes one with the token; header lines are "Name: value".
func (l *logger) request(method, path, body string, header ...string) *http.Request {
	l.t.Helper()
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	r, err := http.NewRequestWithContext(l.t.Context(), method, l.base+path, in)
	require.NoError(l.t, err)
	if l.token != "" {
		r.Header.Set("Authorization", "Bearer "+l.token)
	}
	if strings.HasPrefix(body, "{") {
		r.Header.Set("Content-Type", "application/json")
	}
	for _, h := range header {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	return r
}

// do asks and reads the whole answer.
func (l *logger) do(method, path, body string, header ...string) (*http.Response, []byte) {
	l.t.Helper()
	client := *l.client
	client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	response, err := client.Do(l.request(method, path, body, header...))
	require.NoError(l.t, err)
	defer func() { _ = response.Body.Close() }()
	text, err := io.ReadAll(response.Body)
	require.NoError(l.t, err)
	return response, text
}

// ask wants JSON with a status.
func (l *logger) ask(method, path, body string, status int, into any) {
	l.t.Helper()
	response, text := l.do(method, prefix+path, body)
	require.Equal(l.t, status, response.StatusCode, "%s %s: %s", method, path, text)
	if into != nil {
		require.NoError(l.t, json.Unmarshal(text, into), "%s", text)
	}
}

// encoded is the CSV of a session, straight from the encoder.
func (l *logger) encoded(name string) []byte {
	l.t.Helper()
	path, err := store.Find(l.store.Dir(), name)
	require.NoError(l.t, err)
	reader, err := store.OpenReader(path)
	require.NoError(l.t, err)
	defer func() { assert.NoError(l.t, reader.Close()) }()
	session, err := derive.NewWith(reader, derive.Options{Aligned: true, Uncertainty: true})
	require.NoError(l.t, err)
	var out bytes.Buffer
	require.NoError(l.t, export.CSV(&out, session))
	return out.Bytes()
}

func (l *logger) id() string {
	infos, err := l.store.List()
	require.NoError(l.t, err)
	return infos[0].ID
}

func TestAllInOneGo(t *testing.T) {
	l := startLogger(t, 20*time.Second)
	id := l.id()

	// A program comes in by the code.
	l.token = ""
	var token Token
	l.ask("POST", "/tokens", `{"code":"`+l.keeper.Code()+`","name":"laptop"}`, 201, &token)
	l.token = token.Token

	var list Sessions
	l.ask("GET", "/sessions", "", 200, &list)
	require.Len(t, list.Sessions, 1)
	assert.Equal(t, "the blue one", list.Sessions[0].Vehicle)
	assert.Empty(t, list.Recording)
	var drive map[string]any
	l.ask("GET", "/sessions/"+id, "", 200, &drive)
	assert.Len(t, drive["channels"], 5)

	response, file := l.do("GET", prefix+"/sessions/last/file", "")
	require.Equal(t, 200, response.StatusCode)
	assert.Contains(t, response.Header.Get("ETag"), list.Sessions[0].SHA256)
	assert.EqualValues(t, list.Sessions[0].Bytes, len(file))
	response, csv := l.do("GET", prefix+"/sessions/"+id+"/exports/csv", "")
	require.Equal(t, 200, response.StatusCode, "%s", csv)
	assert.Equal(t, l.encoded("last"), csv)

	l.ask("PUT", "/sessions/"+id+"/pulled", `{"sha256":"00"}`, 409, nil)
	l.ask("PUT", "/sessions/"+id+"/pulled", `{"sha256":"`+list.Sessions[0].SHA256+`"}`, 204, nil)
	l.ask("GET", "/sessions", "", 200, &list)
	assert.True(t, list.Sessions[0].Pulled)
	var series map[string]any
	l.ask("GET", "/sessions/"+id+"/plot?channel=RPM&points=50", "", 200, &series)
	assert.Len(t, series["series"], 1)
	l.ask("GET", "/health", "", 200, nil)
	l.ask("GET", "/calibration", "", 200, nil)
}
