package store

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// The states of a session file.
const (
	Recording  = "recording"  // a process holds the file and writes to it
	Complete   = "complete"   // it was ended
	CutOff     = "cut off"    // it was not ended: the power went, or the daemon died; all that was stored is there
	Damaged    = "damaged"    // Info.Err says how
	Unreadable = "unreadable" // this process may not read it; Info.Err says why
)

// Last is the name that stands for the newest session: the one with the highest number, and where sessions of several stores
// are together the newest by date of each one's last, if all of those are dated.
const Last = "last"

// Info sums a session up. Of a session that another process records only ID, Number, State and Bytes are known, and
// of a damaged one what could be read.
type Info struct {
	ID       string        `json:"id"`
	Number   uint64        `json:"number"`
	State    string        `json:"state"`
	Meta     Meta          `json:"meta"`
	Blocks   uint64        `json:"blocks"`
	Samples  uint64        `json:"samples"`
	Length   time.Duration `json:"length_ns"`        // from the start of the session's clock to its end
	Bytes    int64         `json:"bytes"`            // on the medium
	SHA256   string        `json:"sha256,omitempty"` // Seal.SHA256; empty for a session that is not sealed
	Lost     []Loss        `json:"lost,omitempty"`   // blocks that are known to be lost
	Err      string        `json:"error,omitempty"`  // what is wrong, in a sentence
	File     string        `json:"-"`                // its name in the directory; that of a copy need not tell the ID
	Pinned   bool          `json:"pinned,omitempty"`
	Pulled   bool          `json:"pulled,omitempty"`
	Uploaded bool          `json:"uploaded,omitempty"`
}

// List describes every session in a store's directory, oldest first, without their descriptions' Channels, Calibrations,
// References, Delays and Rates, and with those of Static only that tell the vehicle: they are read from the session.
// A session that cannot be read is listed as such and hides no other. It is an error if there is no such directory.
func List(dir string) ([]Info, error) {
	entries, err := sessionEntries(dir)
	if err != nil {
		return nil, err
	}
	index, _ := readIndex(dir)
	marks, _, _ := readMarks(dir) // CheckMarks says what is wrong with them
	infos := make([]Info, 0, len(entries))
	for _, e := range entries {
		f, err := e.Info()
		if err != nil { // deleted since
			continue
		}
		info := Info{}
		if l, ok := index[e.Name()]; ok && l.holdsFor(f) {
			info = l.Info
		} else if info, err = describe(filepath.Join(dir, e.Name())); errors.Is(err, fs.ErrNotExist) {
			continue
		}
		info.File = e.Name()
		infos = append(infos, marks.on(info.short()))
	}
	return infos, nil
}

// describe returns the error only for those who want to know its kind; Info has its text.
func describe(path string) (Info, error) {
	a, err := openAtRest(path)
	if a != nil {
		defer func() { _ = a.close() }()
	}
	if err == nil {
		return a.info(), nil
	}
	info := Info{ID: IDOf(path), File: filepath.Base(path)}
	info.Number, _ = numberOf(info.ID)
	if f, err := os.Stat(path); err == nil {
		info.Bytes = allocated(f)
	}
	switch {
	case errors.Is(err, ErrRecording):
		info.State = Recording
		return info, nil
	case errors.Is(err, ErrDamaged):
		info.State = Damaged
	default:
		info.State = Unreadable
	}
	info.Err = err.Error()
	return info, err
}

// info sums up a session at rest. One that is not sealed and has no end is read through.
func (a *atRest) info() Info {
	i := Info{ID: a.id, Number: a.meta.Number, State: CutOff, Meta: a.meta, Bytes: a.bytes, File: filepath.Base(a.path)}
	if !idPattern.MatchString(a.id) {
		i.ID = a.meta.ID // a file of another name, outside a store
	}
	e := a.meta.End
	if e != nil {
		i.State = Complete
	}
	switch {
	case a.seal != nil:
		i.Blocks, i.Samples, i.Length, i.SHA256, i.Lost = a.seal.Blocks, a.seal.Samples, a.seal.Last, a.seal.SHA256, a.seal.Lost
	case e != nil:
		i.Blocks, i.Samples, i.Length = e.Blocks, e.Samples, e.Last
	default:
		var err error
		if i.Blocks, i.Samples, i.Length, i.Lost, err = sum(a.pieces()); err != nil {
			i.State, i.Err = Damaged, err.Error()
		}
	}
	if e != nil {
		i.Length = max(i.Length, e.At)
	}
	switch {
	case len(a.faults) > 0:
		i.State, i.Err = Damaged, a.faults[0].Error()
	case len(i.Lost) > 0:
		i.Err = lostText(i.Lost)
	case a.seal != nil && a.seal.Salvaged != "" && e == nil:
		i.Err = "salvaged from a damaged file: " + afterText(i.Length)
	}
	return i
}

// lostText is what is lost in a line.
func lostText(lost []Loss) string {
	text := "lost: " + lost[0].String()
	switch more := len(lost) - 1; {
	case more == 1:
		text += " (and 1 more range)"
	case more > 1:
		text += fmt.Sprintf(" (and %d more ranges)", more)
	}
	return text
}

// Find returns the file of the session with that name: its ID, a beginning that no other session's ID has, or Last.
// Otherwise the error is a *FindError, or says that there is no such store.
func Find(dir, name string) (path string, err error) {
	files, err := sessionFiles(dir)
	if err != nil {
		return "", err
	}
	if name == Last && len(files) > 0 {
		return filepath.Join(dir, last(dir, files)), nil
	}
	var matches []string
	for _, f := range files {
		id := idOf(f)
		if id == name {
			return filepath.Join(dir, f), nil
		}
		if name != "" && strings.HasPrefix(id, strings.ToLower(name)) {
			matches = append(matches, id)
		}
	}
	switch len(matches) {
	case 0:
		return "", &FindError{Dir: dir, Name: name, Err: ErrNotFound}
	case 1:
		return filepath.Join(dir, matches[0]+extension), nil
	}
	return "", &FindError{Dir: dir, Name: name, Matches: matches, Err: ErrAmbiguous}
}

// last is the file that Last names, of files in the order of their numbers.
func last(dir string, files []string) string {
	infos, err := List(dir)
	if err != nil || len(infos) == 0 {
		return files[len(files)-1]
	}
	places := Ordered(infos, Date(infos, Anchors(dir)))
	return infos[places[len(places)-1]].File
}

// Ordered returns the places in infos, oldest first, of sessions that List listed and Date dated. Numbers order the sessions
// of one store only. Those of several are put together by date, each store's own in their order, if all their last are dated;
// else by number.
func Ordered(infos []Info, dates []Dating) []int {
	places := make([]int, len(infos))
	lasts := make(map[string]int) // by the store that recorded it
	for n, i := range infos {
		places[n], lasts[i.Meta.Origin] = n, n
	}
	for _, n := range lasts {
		if len(lasts) < 2 || !dates[n].Dated() {
			return places
		}
	}
	began := make([]time.Time, len(infos)) // no later than that of the same store's next
	next := make(map[string]time.Time)
	for n := len(infos) - 1; n >= 0; n-- {
		origin := infos[n].Meta.Origin
		if began[n] = next[origin]; dates[n].Dated() && (n == lasts[origin] || dates[n].Began.Before(began[n])) {
			began[n] = dates[n].Began
		}
		next[origin] = began[n]
	}
	slices.SortStableFunc(places, func(a, b int) int { return began[a].Compare(began[b]) })
	return places
}

// sessionFiles returns the names of a directory's session files, oldest first.
func sessionFiles(dir string) ([]string, error) {
	entries, err := sessionEntries(dir)
	names := make([]string, len(entries))
	for i, e := range entries {
		names[i] = e.Name()
	}
	return names, err
}

func sessionEntries(dir string) ([]os.DirEntry, error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("there is no session store at %s: %w", dir, fs.ErrNotExist)
	}
	if err != nil {
		return nil, fmt.Errorf("read the session store %s: %w", dir, err)
	}
	entries = slices.DeleteFunc(entries, func(e os.DirEntry) bool { return !strings.HasSuffix(e.Name(), extension) || e.IsDir() })
	numbers := make(map[string]uint64, len(entries))
	for _, e := range entries {
		numbers[e.Name()], _ = numberOf(idOf(e.Name()))
	}
	slices.SortStableFunc(entries, func(a, b os.DirEntry) int { // by number: names of more than five digits sort wrongly
		return cmp.Or(cmp.Compare(numbers[a.Name()], numbers[b.Name()]), strings.Compare(a.Name(), b.Name()))
	})
	return entries, nil
}
