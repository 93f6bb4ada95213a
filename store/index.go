package store

import (
	"encoding/json"
	"os"
	"path/filepath"
	"runtime"
	"sync"
)

const (
	indexName = "index"
	marksName = "marks"
)

// indexLine is what the index has of one session file, so that a listing need not open it. It holds for a file of
// exactly that size and time. What is lost is made again from the files.
type indexLine struct {
	File string `json:"file"`
	Size int64  `json:"size"`
	Time int64  `json:"time_ns"` // of the file's last change, since 1970
	Info Info   `json:"info"`
}

func (l indexLine) holdsFor(f os.FileInfo) bool {
	return l.Size == f.Size() && l.Time == f.ModTime().UnixNano()
}

// readIndex returns the index by file name. What is not readable is not there.
func readIndex(dir string) (lines map[string]indexLine, count int) {
	var texts [][]byte
	_ = eachLine(filepath.Join(dir, indexName), func(text []byte) { texts = append(texts, text) })
	all := make([]indexLine, len(texts))
	// Decoding takes far longer than reading.
	var decoding sync.WaitGroup
	workers := min(runtime.GOMAXPROCS(0), 1+len(texts)/100)
	for w := range workers {
		decoding.Go(func() {
			for i := w * len(texts) / workers; i < (w+1)*len(texts)/workers; i++ {
				if json.Unmarshal(texts[i], &all[i]) != nil {
					all[i].File = ""
				}
			}
		})
	}
	decoding.Wait()
	lines = make(map[string]indexLine, len(all))
	for _, l := range all {
		if l.File != "" {
			lines[l.File] = l
			count++
		}
	}
	return lines, count
}

// inIndex makes the line for a session's file. A listing does without the description's longest parts.
func inIndex(f os.FileInfo, i Info) indexLine {
	return indexLine{File: f.Name(), Size: f.Size(), Time: f.ModTime().UnixNano(), Info: i.short()}
}

// short is the summary without what only a reader of the session needs.
func (i Info) short() Info {
	i.Meta.Channels, i.Meta.Static, i.Meta.Rates = nil, nil, nil
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

func readMarks(dir string) (m marks, count int) {
	m = make(marks)
	_ = eachLine(filepath.Join(dir, marksName), func(text []byte) {
		var l markLine
		if json.Unmarshal(text, &l) == nil && l.ID != "" {
			m.set(l)
			count++
		}
	})
	return m, count
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
