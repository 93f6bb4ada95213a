package httpapi

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"underdash/store/derive"
)

// Now is the newest reading of every channel.
type Now struct {
	At        time.Time `json:"at"` // by the board's clock
	Clock     float64   `json:"clock_s"`
	Recording string    `json:"recording"` // the session being recorded; empty if none is
	Channels  []Newest  `json:"channels"`
}

// Newest is the newest reading of one channel.
type Newest struct {
	Name        string   `json:"name"`
	Description string   `json:"description"`
	Unit        string   `json:"unit"` // "1" for ratios, empty for a status
	Source      string   `json:"source"`
	Decimals    int      `json:"decimals"` // that are worth showing; -1 for as many as it takes
	Value       *float64 `json:"value"`    // null without a measurement
	State       string   `json:"state,omitempty"`
	Text        string   `json:"text,omitempty"`
	Age         float64  `json:"age_s"` // seconds since it was read
	Rate        *float64 `json:"rate"`  // readings a second in the last ten seconds; null at first
}

// Newest is what is known now, for the page.
func (s *Server) Newest() (Now, error) {
	clock := s.o.Daemon.Clock()
	n := Now{At: s.o.Now().UTC(), Clock: clock.Seconds(), Channels: []Newest{}}
	if r := s.o.Store.Recording(); r != nil {
		n.Recording = r.ID()
	}
	meta, samples := s.o.Daemon.Newest()
	session, err := derive.New(derive.Snapshot{Description: meta, Readings: samples})
	if err != nil {
		return n, fmt.Errorf("read the newest values: %w", err)
	}
	rates := make(map[string]*float64)
	for place, r := range s.o.Daemon.Rates() {
		if int(place) < len(meta.Channels) {
			rates[derive.SourceOf(meta.Channels[place])] = &r
		}
	}
	for v, err := range session.Values() {
		if err != nil {
			return n, fmt.Errorf("read the newest values: %w", err)
		}
		c := session.Channels()[v.Channel]
		x := Newest{Name: c.Name, Description: c.Description, Unit: c.Unit, Source: c.Source, Decimals: c.Decimals, State: v.State, Text: v.Text,
			Age: max(0, clock-v.At).Seconds(), Rate: rates[c.Source]}
		if !math.IsNaN(v.Number) && !math.IsInf(v.Number, 0) {
			x.Value = &v.Number
		}
		n.Channels = append(n.Channels, x)
	}
	n.Channels = withSilent(n.Channels, session.Channels())
	order(n.Channels, session.Channels())
	return n, nil
}

// withSilent adds the channels that the newest reading of their source says nothing for, such as λ while the controller heats: without
// a value, and with the state of what was read instead.
func withSilent(newest []Newest, channels []derive.Channel) []Newest {
	said := make(map[string]bool, len(newest))
	of := make(map[string]Newest, len(newest))
	for _, x := range newest {
		said[x.Name], of[x.Source] = true, x
	}
	for _, c := range channels {
		if x, ok := of[c.Source]; ok && !said[c.Name] {
			newest = append(newest, Newest{Name: c.Name, Description: c.Description, Unit: c.Unit, Source: c.Source, Decimals: c.Decimals, State: x.State, Age: x.Age, Rate: x.Rate})
		}
	}
	return newest
}

// order puts readings into the order of their channels.
func order(newest []Newest, channels []derive.Channel) {
	place := make(map[string]int, len(channels))
	for i, c := range channels {
		place[c.Name] = i
	}
	slices.SortStableFunc(newest, func(a, b Newest) int { return place[a.Name] - place[b.Name] })
}

// The least time from one look at the newest values to the next, and the most without an event.
const (
	lookTime = 100 * time.Millisecond
	tellTime = time.Second
)

// A phone that has left the network must not keep others from watching: what waits for it is little, and not for long.
const (
	liveTime   = 10 * time.Second
	liveBuffer = 32 << 10
)

// narrow makes the buffer small that waits for a client.
func narrow(r *http.Request) {
	if l, ok := r.Context().Value(lineKey{}).(*line); ok {
		if c, ok := l.Conn.(*net.TCPConn); ok {
			_ = c.SetWriteBuffer(liveBuffer)
		}
	}
}

// newestCache is the newest values, made for all watchers at once.
type newestCache struct {
	mu   sync.Mutex // guards what follows
	made time.Time
	text []byte // JSON
	key  []byte // what of it is news if it is another
	turn uint64 // counts news
}

func (s *Server) newestText() (text []byte, turn uint64, err error) {
	c := &s.newest
	c.mu.Lock()
	defer c.mu.Unlock()
	if since := time.Since(c.made); c.text != nil && since >= 0 && since < lookTime/2 {
		return c.text, c.turn, nil
	}
	n, err := s.Newest()
	if err != nil {
		return nil, 0, err
	}
	if c.text, err = json.Marshal(n); err != nil {
		return nil, 0, err
	}
	c.made = time.Now()
	// A reading that was not taken again is only older.
	for i := range n.Channels {
		n.Channels[i].Age = math.Round((n.Clock-n.Channels[i].Age)*1000) / 1000
	}
	n.At, n.Clock = time.Time{}, 0
	key, err := json.Marshal(n)
	if err != nil {
		return nil, 0, err
	}
	if !bytes.Equal(key, c.key) {
		c.key = key
		c.turn++
	}
	return c.text, c.turn, nil
}

func (s *Server) now(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	n, err := s.Newest()
	if err != nil {
		return err
	}
	return answer(w, n)
}

// live sends the newest values as server-sent events (WHATWG HTML, section 9.2) until the client goes, its pass ends or the
// daemon does. What was missed is not sent again: newer values stand for it.
func (s *Server) live(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/event-stream")
	if r.Method == http.MethodHead {
		return nil
	}
	give, err := s.watchers.takeFor("live views")
	if err != nil {
		return err
	}
	defer give()
	out := s.patient(w, r)
	out.each = liveTime
	narrow(r)
	if _, err := out.Write([]byte("retry: 2000\n\n")); err != nil {
		return nil
	}
	tick := time.NewTicker(lookTime)
	defer tick.Stop()
	var told uint64
	var last time.Time
	for {
		text, turn, err := s.newestText()
		if err != nil {
			return nil
		}
		if now := time.Now(); turn != told || now.Sub(last) >= tellTime {
			if !out.good() {
				return nil
			}
			told, last = turn, now
			if _, err := fmt.Fprintf(out, "id: %d\ndata: %s\n\n", turn, text); err != nil {
				return nil
			}
			if err := out.to.Flush(); err != nil {
				return nil
			}
		}
		select {
		case <-r.Context().Done():
			return nil
		case <-s.ending:
			return nil
		case <-tick.C:
		}
	}
}

func (s *Server) health(w http.ResponseWriter, _ *http.Request) error {
	return answer(w, s.o.Daemon.Status())
}

// TimeRequest is what a client's clock says.
type TimeRequest struct {
	UTC      time.Time `json:"utc"`
	MaxError float64   `json:"max_error_s"` // what it may be off by, seconds
}

// TimeTaken tells whether it was needed.
type TimeTaken struct {
	Taken bool `json:"taken"`
}

func (s *Server) time(w http.ResponseWriter, r *http.Request) error {
	var q TimeRequest
	if err := take(w, r, &q); err != nil {
		return err
	}
	if !(q.MaxError >= 0 && q.MaxError <= longest) {
		return refuse(http.StatusBadRequest, "", "max_error_s of %v: give the seconds that your clock may be off by", q.MaxError)
	}
	taken, err := s.o.Daemon.Offer(q.UTC, seconds(q.MaxError))
	if err != nil {
		return err
	}
	return answer(w, TimeTaken{taken})
}
