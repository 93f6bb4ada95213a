package store

import (
	"bytes"
	"encoding/gob"
	"encoding/json"
	"os"
	"path/filepath"
)

const (
	indexName = "index"
	marksName = "marks"
)

// indexLine is what the index has of one session file, so that a listing need not open it. It holds for a file of
// exactly that size and time. What is lost is made again from the files.
type indexLine struct {
	Layout int    `json:"layout"` // what is kept of a description, indexLayout
	File   string `json:"file"`
	Size   int64  `json:"size"`
	Time   int64  `json:"time_ns"` // of the file's last change, since 1970
	Info   Info   `json:"info"`
}

// indexLayout goes up when more is kept of a description than before: older lines are made anew when a store is opened.
const indexLayout = 1

func (l indexLine) holdsFor(f os.FileInfo) bool {
	return l.Layout == indexLayout && l.Size == f.Size() && l.Time == f.ModTime().UnixNano()
}

// The index is in two files: one line of JSON for each session that came to rest lately, and now and then, when there
// are many, all of them in one file of encoding/gob, which takes a fifth of the time to read.
const (
	recentName  = indexName + ".recent"
	mostRecent  = 100
	indexHeader = 9 // eight hex digits of CRC-32C and a line's end
)

// readIndex returns the index by file name, and how many lines are in the file of recent ones. What is not readable
// is not there.
func readIndex(dir string) (lines map[string]indexLine, recent int) {
	all := readIndexed(filepath.Join(dir, indexName))
	_ = eachLine(filepath.Join(dir, recentName), func(text []byte) {
		var l indexLine
		if json.Unmarshal(text, &l) == nil {
			all = append(all, l)
			recent++
		}
	}, func(int) {})
	lines = make(map[string]indexLine, len(all))
	for _, l := range all {
		lines[l.File] = l
	}
	return lines, recent
}

func readIndexed(path string) (all []indexLine) {
	b, err := os.ReadFile(path)
	if err != nil || len(b) < indexHeader || !bytes.Equal(b[:indexHeader-1], checksumText(b[indexHeader:])) {
		return nil
	}
	if gob.NewDecoder(bytes.NewReader(b[indexHeader:])).Decode(&all) != nil {
		return nil
	}
	return all
}

// addToIndexLocked adds a line. One that is missing costs a listing a look into the session's file, so failing to write it
// is no failure.
func (s *Store) addToIndexLocked(l indexLine) {
	if err := addLine(filepath.Join(s.dir, recentName), l, false); err != nil {
		return
	}
	if s.recent++; s.recent > mostRecent {
		s.tidyIndexLocked()
	}
}

// tidyIndexLocked puts all lines that count into one file.
func (s *Store) tidyIndexLocked() {
	lines, _ := readIndex(s.dir)
	all := make([]indexLine, 0, len(s.files))
	for name, f := range s.files {
		if l, ok := lines[name]; ok && !f.unsettled {
			all = append(all, l)
		}
	}
	var b bytes.Buffer
	if gob.NewEncoder(&b).Encode(all) != nil {
		return
	}
	content := append(checksumText(b.Bytes()), '\n')
	if replaceFile(filepath.Join(s.dir, indexName), append(content, b.Bytes()...)) == nil {
		_ = os.Remove(filepath.Join(s.dir, recentName))
		s.recent = 0
	}
}

// inIndex makes the line for a session's file. A listing does without the description's longest parts.
func inIndex(f os.FileInfo, i Info) indexLine {
	return indexLine{Layout: indexLayout, File: f.Name(), Size: f.Size(), Time: f.ModTime().UnixNano(), Info: i.short()}
}

// The question for the vehicle identification number (ISO 15031-5, SAE J1979: service 09, information type 02).
const vehicleService, vehicleNumber = 0x09, 0x02

// short is the summary without what only a reader of the session needs. Which car it was stays: an owner who has given
// it no name knows it by its number.
func (i Info) short() Info {
	i.Meta.Channels, i.Meta.Rates, i.Meta.Polled = nil, nil, nil
	var static []Static
	for _, a := range i.Meta.Static {
		if a.Service == vehicleService && a.PID == vehicleNumber {
			static = append(static, a)
		}
	}
	i.Meta.Static = static
	i.Meta.Calibrations, i.Meta.References, i.Meta.Delays = nil, nil, nil
	return i
}

// A Mark is something that is known of a session and does not stand in its file.
type Mark string

// The marks. Room is made first from sessions that are elsewhere too, and never from pinned ones.
const (
	Pinned   Mark = "pinned"
	Pulled   Mark = "pulled"
	Uploaded Mark = "uploaded"
)

type markLine struct {
	ID   string `json:"id"`
	Mark Mark   `json:"mark"`
	On   bool   `json:"on"`
}

// marks is what is marked, by session ID.
type marks map[string]map[Mark]bool

// readMarks reads a store's marks, and how many lines they take. The error is a *MarksError: the others are there all the same.
func readMarks(dir string) (m marks, count int, err error) {
	m = make(marks)
	path := filepath.Join(dir, marksName)
	var damaged []int
	err = eachLine(path, func(text []byte) {
		var l markLine
		if json.Unmarshal(text, &l) == nil && l.ID != "" {
			m.set(l)
			count++
		}
	}, func(number int) { damaged = append(damaged, number) })
	if err != nil || len(damaged) > 0 {
		return m, count, &MarksError{Path: path, Lines: damaged, Err: err}
	}
	return m, count, nil
}

// CheckMarks reads a store's marks. The error is a *MarksError.
func CheckMarks(dir string) error {
	_, _, err := readMarks(dir)
	return err
}

func (m marks) set(l markLine) {
	if m[l.ID] == nil {
		m[l.ID] = make(map[Mark]bool)
	}
	m[l.ID][l.Mark] = l.On
}

// on returns the summary with its marks.
func (m marks) on(i Info) Info {
	set := m[i.ID]
	i.Pinned, i.Pulled, i.Uploaded = set[Pinned], set[Pulled], set[Uploaded]
	return i
}
