package store

import (
	"cmp"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"time"
)

// The sources of an Anchor, best first.
const (
	ByReference = "synchronised" // the system's clock followed a reference
	ByClient    = "client"       // somebody who asked the daemon something told the time
	BySystem    = "system"       // the system's clock, of unknown quality: no more than a guess
)

func quality(source string) int {
	switch source {
	case ByReference:
		return 2
	case ByClient:
		return 1
	}
	return 0
}

// BootAnchor ties an instant of a boot's clock to the wall clock. It dates all sessions of that boot, those too that
// were over and sealed when the time became known.
type BootAnchor struct {
	BootID    string        `json:"boot_id"`
	SinceBoot time.Duration `json:"since_boot_ns"`
	UTC       time.Time     `json:"utc"`
	Source    string        `json:"source"`
	MaxError  time.Duration `json:"max_error_ns,omitempty"` // 0: not known
}

// anchorsName is the file that holds them, in lines like the index.
const anchorsName = "anchors"

// AddAnchor keeps an anchor beside the sessions. It is on the medium when this returns nil.
func (s *Store) AddAnchor(a BootAnchor) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := addLine(filepath.Join(s.dir, anchorsName), a, true); err != nil {
		return fmt.Errorf("keep what the time is: %w", room(err))
	}
	return nil
}

// Anchors returns what is kept beside a directory's sessions, oldest first. What is not readable is not there.
func Anchors(dir string) (all []BootAnchor) {
	_ = eachLine(filepath.Join(dir, anchorsName), func(text []byte) {
		var a BootAnchor
		if json.Unmarshal(text, &a) == nil && a.BootID != "" {
			all = append(all, a)
		}
	}, func(int) {})
	return all
}

// tidyAnchors writes the anchors anew, without those of boots that no session is left of, if there are many. Where the
// index lacks a session, which harms nothing else, the boot it belongs to is not known, and all of them stay.
func (s *Store) tidyAnchors() {
	all := Anchors(s.dir)
	if len(all) <= 2*len(s.files)+100 {
		return
	}
	index, _ := readIndex(s.dir)
	boots := make(map[string]bool)
	entries, err := sessionEntries(s.dir)
	if err != nil {
		return
	}
	for _, e := range entries {
		l, ok := index[e.Name()]
		if !ok {
			return
		}
		boots[l.Info.Meta.BootID] = true
	}
	var content []byte
	for _, a := range all {
		if boots[a.BootID] {
			content, _ = appendLine(content, a) // a struct of plain values always encodes
		}
	}
	_ = replaceFile(filepath.Join(s.dir, anchorsName), content) // else the next time
}

// Dating is when a session began, and how well that is known.
type Dating struct {
	Began    time.Time     // UTC; zero if nothing is known
	Source   string        // ByReference, ByClient, BySystem; empty if nothing is known
	MaxError time.Duration // of Began; 0: not known
	// Of a session that is not dated: it began not before the end of the dated session before it, and not after the
	// beginning of the dated one after it, of those that the same store recorded. Zero where there is none.
	After, Before time.Time
}

// Dated reports whether Began is more than a guess.
func (d Dating) Dated() bool { return quality(d.Source) > 0 }

// program is when this program was begun: no drive is older.
var program = time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)

// Known reports whether Began may be told to people, be it as a guess. A board's own clock that says what cannot be, a time
// before this program was or outside After and Before, tells no date.
func (d Dating) Known() bool {
	if d.Dated() || d.Began.IsZero() {
		return d.Dated()
	}
	return !d.Began.Before(program) && !d.Began.Before(d.After) && (d.Before.IsZero() || !d.Began.After(d.Before))
}

// DateOf is Date for the session of a directory that m describes, on which its neighbours there bear.
func DateOf(dir string, m Meta) Dating {
	infos, err := List(dir)
	n := slices.IndexFunc(infos, func(i Info) bool { return i.ID == m.ID })
	if err != nil || n < 0 {
		return m.Began()
	}
	infos[n].Meta = m // not listed of one that another process records
	return Date(infos, Anchors(dir))[n]
}

// drift is how much a crystal may gain or lose, as a share (100 ppm, common practice, from memory).
const drift = 100e-6

// Date dates sessions, which must be in the order of their numbers, by what is known of the boots they belong to: by
// the anchors given, and by those in the sessions' own descriptions.
func Date(infos []Info, anchors []BootAnchor) []Dating {
	boots := make(map[string][]BootAnchor)
	for _, a := range anchors {
		boots[a.BootID] = append(boots[a.BootID], a)
	}
	for _, i := range infos {
		boot := bootOf(i.Meta)
		for _, a := range i.Meta.Anchors {
			boots[boot] = append(boots[boot], BootAnchor{boot, i.Meta.SinceBoot + a.At, a.UTC, a.Source, a.MaxError})
		}
	}
	for boot, all := range boots { // a boot may have thousands of sessions
		boots[boot] = trusted(all)
	}
	dates := make([]Dating, len(infos))
	for n, i := range infos {
		dates[n] = date(i.Meta.SinceBoot, boots[bootOf(i.Meta)])
	}
	bound(infos, dates)
	return dates
}

// bootOf is the boot a session belongs to. One that does not know has a boot of its own.
func bootOf(m Meta) string {
	if m.BootID == "" {
		return "session " + m.ID
	}
	return m.BootID
}

// date is the wall clock at an instant of a boot's clock, by the nearest of the anchors that are trusted.
func date(at time.Duration, trusted []BootAnchor) Dating {
	if len(trusted) == 0 {
		return Dating{}
	}
	i, _ := slices.BinarySearchFunc(trusted, at, func(a BootAnchor, at time.Duration) int { return cmp.Compare(a.SinceBoot, at) })
	i = min(i, len(trusted)-1)
	if i > 0 && at-trusted[i-1].SinceBoot < (trusted[i].SinceBoot-at).Abs() {
		i--
	}
	best := trusted[i]
	distance := at - best.SinceBoot
	d := Dating{Began: best.UTC.Add(distance), Source: best.Source, MaxError: best.MaxError}
	if d.MaxError > 0 {
		d.MaxError += time.Duration(float64(distance.Abs()) * drift)
	}
	return d
}

// trusted returns, of the anchors of the best source there is, those that agree with the one given last, in the order
// of instants. One that does not agree was put right later.
func trusted(anchors []BootAnchor) []BootAnchor {
	top := 0
	for _, a := range anchors {
		top = max(top, quality(a.Source))
	}
	good := slices.DeleteFunc(slices.Clone(anchors), func(a BootAnchor) bool { return quality(a.Source) < top })
	if len(good) == 0 {
		return nil
	}
	slices.SortStableFunc(good, func(a, b BootAnchor) int { return cmp.Compare(a.SinceBoot, b.SinceBoot) })
	last := good[len(good)-1]
	return slices.DeleteFunc(good, func(a BootAnchor) bool {
		apart := last.UTC.Sub(a.UTC) - (last.SinceBoot - a.SinceBoot)
		allowed := time.Second + a.MaxError + last.MaxError + time.Duration(float64(last.SinceBoot-a.SinceBoot)*drift)
		return apart.Abs() > allowed
	})
}

// bound says between what sessions that are not dated must lie: those of the store that recorded them which have the
// next numbers. In an archive, sessions of other stores stand in between and say nothing; and of a session that does
// not know its store nothing is said.
func bound(infos []Info, dates []Dating) {
	after := make(map[string]time.Time)
	for i := range dates {
		switch origin := infos[i].Meta.Origin; {
		case origin == "":
		case dates[i].Dated():
			after[origin] = dates[i].Began.Add(infos[i].Length)
		default:
			dates[i].After = after[origin]
		}
	}
	before := make(map[string]time.Time)
	for i := len(dates) - 1; i >= 0; i-- {
		switch origin := infos[i].Meta.Origin; {
		case origin == "":
		case dates[i].Dated():
			before[origin] = dates[i].Began
		default:
			dates[i].Before = before[origin]
		}
	}
}

// withAnchors returns the description with what is known of its boot beside it.
func (m Meta) withAnchors(all []BootAnchor) Meta {
	if m.BootID == "" {
		return m
	}
	m.Anchors = slices.Clone(m.Anchors)
	for _, a := range all {
		if a.BootID == m.BootID {
			m.Anchors = append(m.Anchors, Anchor{At: a.SinceBoot - m.SinceBoot, UTC: a.UTC, Source: a.Source, MaxError: a.MaxError})
		}
	}
	return m
}

// Began is the wall clock at the start of the session's own clock, by the best of the description's anchors.
func (m Meta) Began() Dating {
	var all []BootAnchor
	for _, a := range m.Anchors {
		all = append(all, BootAnchor{"", a.At, a.UTC, a.Source, a.MaxError})
	}
	return date(0, trusted(all))
}
