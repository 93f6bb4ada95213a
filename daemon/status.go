package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"underdash/daemon/health"
	"underdash/store"
)

// StatusFile is the name, in the store's directory, of what the running daemon says of itself. It is written when
// something changes, never by the clock, and removed at a clean end and at the next start. What a daemon that was killed, or
// a power cut, left of it counts for nothing.
const StatusFile = "status.json"

// Status is what the daemon says of itself.
type Status struct {
	PID       int           `json:"pid"` // the process, to tell the daemon from another one that has the store now
	Software  string        `json:"software,omitempty"`
	Socket    string        `json:"socket,omitempty"`    // where commands reach it
	Recording string        `json:"recording,omitempty"` // the session that is being recorded
	Clock     string        `json:"clock,omitempty"`     // where the time of day comes from, as an anchor's source
	Parts     []health.Part `json:"parts"`
	Polling   []Polling     `json:"polling,omitempty"` // what the car is asked, only from the daemon itself, never in the file
}

// Status returns the present state of all parts.
func (d *Daemon) Status() Status {
	s := d.parts()
	s.Polling = d.asking.now()
	return s
}

// parts is the status without what is never twice the same.
func (d *Daemon) parts() Status {
	s := Status{PID: os.Getpid(), Software: d.o.Software, Socket: d.socket, Parts: d.health.Parts()}
	if d.recorder != nil {
		if id, on := d.recorder.Recording(); on {
			s.Recording = id
		}
		d.mu.Lock()
		s.Clock = d.anchor.Source
		d.mu.Unlock()
	}
	return s
}

// Newest returns the newest reading of every channel, with the channels they belong to and what is needed to make
// quantities of them, as a session of its own.
func (d *Daemon) Newest() (store.Meta, []store.Sample) {
	d.mu.Lock()
	m := d.describeLocked()
	d.mu.Unlock()
	m.Channels = d.table.Channels()
	return m, d.live.Newest()
}

// Rates are the readings a second of the last ten seconds, by the place of Newest's channels.
func (d *Daemon) Rates() map[uint16]float64 { return d.live.Rates(d.clock.Now()) }

// keepStatus writes the status file if its content is news. Counters alone are not, and while nothing is recorded
// neither is another reason for the same state: a card is not worn by a parked car. Who asks through the socket hears
// all of it.
func (d *Daemon) keepStatus() {
	s := d.parts()
	news := s
	news.Parts = slices.Clone(s.Parts)
	for i := range s.Parts {
		s.Parts[i].Counts, news.Parts[i].Counts = nil, nil
		if s.Recording == "" {
			news.Parts[i].Why, news.Parts[i].Since = "", time.Time{}
		}
	}
	text, err := json.MarshalIndent(s, "", "  ")
	key, err2 := json.Marshal(news)
	if err != nil || err2 != nil || slices.Equal(key, d.statusKey) {
		return
	}
	d.statusKey = key
	path := filepath.Join(d.cfg.Store.Path, StatusFile)
	temp := path + ".new"
	err = os.WriteFile(temp, append(text, '\n'), 0o644)
	if err == nil {
		err = os.Rename(temp, path)
	}
	if err != nil {
		d.o.Log.Warn("could not write the status file", "err", err)
	}
}

func (d *Daemon) forgetStatus() {
	_ = os.Remove(filepath.Join(d.cfg.Store.Path, StatusFile))
}

// ReadStatus returns what the daemon that writes to a store says of itself, and since when the file says so. ok is
// false if no daemon is running there: none ever did, it ended, or it was killed. The error says why it cannot be told, or
// what the daemon says cannot be read.
func ReadStatus(dir string) (s Status, since time.Time, ok bool, err error) {
	pid, held, err := store.Holder(dir)
	if err != nil || !held {
		return Status{}, time.Time{}, false, err
	}
	path := filepath.Join(dir, StatusFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return Status{}, time.Time{}, false, nil
	}
	if err != nil {
		return Status{}, time.Time{}, false, fmt.Errorf("read the daemon's status: %w", err)
	}
	if err := json.Unmarshal(text, &s); err != nil {
		return Status{}, time.Time{}, false, fmt.Errorf("process %d writes to the store, and its status in %s cannot be read: %w", pid, path, err)
	}
	if info, err := os.Stat(path); err == nil {
		since = info.ModTime()
	}
	if pid != 0 && s.PID != pid { // of a daemon that was killed; another process has the store now
		return Status{}, time.Time{}, false, nil
	}
	return s, since, true, nil
}
