package socket_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/daemon/socket"
	"underdash/store"
	"underdash/store/storetest"
)

// served is a store behind a socket, and a client of it.
func served(t *testing.T, api socket.API) *socket.Client {
	t.Helper()
	dir, err := os.MkdirTemp("", "ud") // a test's own directory may be too long for a socket
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	l, err := socket.Listen(dir)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { assert.NoError(t, socket.Serve(ctx, l, api.Handler())) })
	client := socket.New(l.Addr().String())
	t.Cleanup(func() {
		client.Close()
		cancel()
		wg.Wait()
		assert.NoFileExists(t, l.Addr().String())
	})
	return client
}

func channels() store.Meta {
	return store.Meta{Vehicle: "the grey van", Channels: []store.Channel{{Name: "a"}, {Name: "b"}}}
}

func samples(from, n int) (all []store.Sample) {
	for i := from; i < from+n; i++ {
		all = append(all, store.Sample{At: time.Duration(i) * 10 * time.Millisecond, Half: time.Millisecond, Channel: uint16(i % 2), Code: int64(i * i)})
	}
	return all
}

func readAll(t *testing.T, r *store.Reader) (all []store.Sample) {
	t.Helper()
	for s, err := range r.Samples() {
		require.NoError(t, err)
		all = append(all, s)
	}
	return all
}

func TestTheSessionBeingRecordedIsReadThroughTheDaemon(t *testing.T) {
	s := storetest.Open(t)
	done := storetest.Session(t, s, channels(), samples(0, 50))
	session, err := s.Begin(channels())
	require.NoError(t, err)
	for i := range 20 {
		require.NoError(t, session.Append(samples(i*100, 100)))
	}
	client := served(t, socket.API{Store: s})

	infos, err := client.Sessions(t.Context())
	require.NoError(t, err)
	require.Len(t, infos, 2)
	assert.Equal(t, store.Complete, infos[0].State)
	assert.Equal(t, store.Recording, infos[1].State)
	assert.Equal(t, uint64(2000), infos[1].Samples)
	assert.Equal(t, "the grey van", infos[1].Meta.Vehicle)

	r, err := client.Open(t.Context(), session.ID())
	require.NoError(t, err)
	assert.Equal(t, session.Meta(), r.Meta())
	require.NoError(t, session.Append(samples(2000, 100)), "the recording goes on")
	assert.Equal(t, samples(0, 2000), readAll(t, r), "as it was when it was opened")
	assert.Equal(t, samples(0, 2000), readAll(t, r), "and once more")
	for range r.Samples() {
		break
	}
	require.NoError(t, session.End(time.Minute, ""))
	assert.Equal(t, samples(0, 2000), readAll(t, r), "and when the recording has ended")
	require.NoError(t, r.Close())

	r, err = client.Open(t.Context(), strings.TrimSuffix(filepath.Base(done), ".session"))
	require.NoError(t, err)
	assert.Equal(t, samples(0, 50), readAll(t, r))
}

func TestErrorsKeepTheirKind(t *testing.T) {
	s := storetest.Open(t)
	path := storetest.Session(t, s, channels(), samples(0, 50))
	id := strings.TrimSuffix(filepath.Base(path), ".session")
	session, err := s.Begin(channels())
	require.NoError(t, err)
	defer func() { require.NoError(t, session.End(0, "")) }()
	marks := []string{}
	var markErr error
	client := served(t, socket.API{Store: s, Mark: func(text string) error { marks = append(marks, text); return markErr }})
	ctx := t.Context()

	_, err = client.Open(ctx, "99999-zzzz")
	assert.ErrorIs(t, err, store.ErrNotFound)
	assert.ErrorContains(t, err, `is called "99999-zzzz"`)
	assert.ErrorIs(t, client.Remove(ctx, "99999-zzzz"), store.ErrNotFound)
	assert.ErrorIs(t, client.Remove(ctx, "../"+id), store.ErrNotFound)
	assert.ErrorContains(t, client.Pin(ctx, "", true), "it answered 4")
	assert.ErrorIs(t, client.Remove(ctx, session.ID()), store.ErrRecording)

	require.NoError(t, client.Pin(ctx, id, true))
	assert.ErrorIs(t, client.Remove(ctx, id), store.ErrPinned)
	infos, err := client.Sessions(ctx)
	require.NoError(t, err)
	assert.True(t, infos[0].Pinned)
	require.NoError(t, client.Pin(ctx, id, false))
	require.NoError(t, client.Remove(ctx, id))
	assert.NoFileExists(t, path)

	require.NoError(t, client.Mark(ctx, " a knock "))
	markErr = socket.ErrNoSession
	assert.ErrorIs(t, client.Mark(ctx, "another"), socket.ErrNoSession)
	assert.Equal(t, []string{"a knock", "another"}, marks)
	assert.ErrorContains(t, client.Mark(ctx, " "), "write 1 to 1000")
	assert.ErrorContains(t, client.Mark(ctx, strings.Repeat("x", 1001)), "a mark of 1001 bytes")
	assert.Len(t, marks, 2)
}

func TestADaemonThatIsGoneIsSaidToBe(t *testing.T) {
	client := socket.New(filepath.Join(t.TempDir(), "s"))
	_, err := client.Sessions(t.Context())
	require.ErrorIs(t, err, fs.ErrNotExist)
	assert.ErrorContains(t, err, "ask the daemon: dial unix")
	assert.NotContains(t, err.Error(), "http://")
}

func TestASocketThatWasLeftIsReplacedAndALongPathAvoided(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "daemon.sock"), nil, 0o600))
	long := filepath.Join(dir, strings.Repeat("x", 100))
	require.NoError(t, os.Mkdir(long, 0o755))
	for _, in := range []string{dir, long} {
		l, err := socket.Listen(in)
		require.NoError(t, err)
		path := l.Addr().String()
		assert.LessOrEqual(t, len(path), 103)
		assert.FileExists(t, path)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		require.NoError(t, socket.Serve(ctx, l, http.NotFoundHandler()))
		_, err = os.Stat(path)
		assert.True(t, errors.Is(err, fs.ErrNotExist))
	}
	assert.NoFileExists(t, filepath.Join(long, "daemon.sock"))
}

func TestWhatTheDaemonSaysOfItself(t *testing.T) {
	client := served(t, socket.API{Store: storetest.Open(t), Status: func() any { return map[string]int{"pid": 7} }})
	var status struct{ PID int }
	require.NoError(t, client.Status(t.Context(), &status))
	assert.Equal(t, 7, status.PID)
	client = served(t, socket.API{Store: storetest.Open(t)})
	assert.ErrorContains(t, client.Status(t.Context(), &status), "says nothing of itself")
}

func TestAClientOffersItsClock(t *testing.T) {
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	var utc time.Time
	var off time.Duration
	calls, good, said := 0, true, error(nil)
	api := socket.API{Store: storetest.Open(t), Offer: func(u time.Time, o time.Duration) (bool, error) {
		calls++
		utc, off = u, o
		return good, said
	}}
	client := served(t, api)
	ok, err := client.Offer(t.Context(), noon.In(time.FixedZone("far away", 7200)), 250*time.Millisecond)
	require.NoError(t, err)
	assert.True(t, ok)
	assert.Equal(t, noon, utc)
	assert.Equal(t, 250*time.Millisecond, off)
	good = false
	ok, err = client.Offer(t.Context(), noon, time.Second)
	require.NoError(t, err)
	assert.False(t, ok, "something better is known")
	said = fmt.Errorf("%w: it is the year 1970", socket.ErrTime)
	_, err = client.Offer(t.Context(), time.Unix(0, 0), time.Second)
	require.ErrorIs(t, err, socket.ErrTime)
	assert.ErrorContains(t, err, "it is the year 1970")

	calls = 0
	for _, row := range []struct{ name, body, want string }{
		{"no JSON", "noon", "the time is sent as"},
		{"no time", `{"max_error_s": 1}`, "both of them"},
		{"nothing of its error", `{"utc": "2026-05-01T12:00:00Z"}`, "both of them"},
		{"no date", `{"utc": "noon", "max_error_s": 1}`, "the time is sent as"},
		{"an error below nothing", `{"utc": "2026-05-01T12:00:00Z", "max_error_s": -1}`, "off by -1 s"},
		{"an error beyond all bounds", `{"utc": "2026-05-01T12:00:00Z", "max_error_s": 1e300}`, "off by 1e+300 s"},
	} {
		t.Run(row.name, func(t *testing.T) {
			w := httptest.NewRecorder()
			api.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodPut, "/v1/time", strings.NewReader(row.body)))
			assert.Equal(t, http.StatusBadRequest, w.Code)
			assert.Contains(t, w.Body.String(), row.want)
		})
	}
	assert.Zero(t, calls)
	_, err = served(t, socket.API{Store: api.Store}).Offer(t.Context(), noon, 0)
	assert.ErrorContains(t, err, "takes no clocks")
}
