package httpapi

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"sync"
	"time"

	"underdash/store"
)

// file sends a sealed session's file. Deleting the session meanwhile does not disturb it: the open file is read to its end.
func (s *Server) file(w http.ResponseWriter, r *http.Request) error {
	if _, err := query(r); err != nil {
		return err
	}
	give, err := s.downloads.takeFor("downloads")
	if err != nil {
		return err
	}
	defer give()
	f, kept, err := s.sealed(r.PathValue("id"))
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	h := w.Header()
	h.Set("ETag", fmt.Sprintf(`"file-%s-%d"`, kept.seal, kept.size))
	h.Set("Content-Type", "application/octet-stream")
	h.Set("Content-Disposition", attachment(filepath.Base(f.Name())))
	h.Set("Cache-Control", "private, no-cache")
	http.ServeContent(s.patient(w, r), r, "", time.Time{}, f)
	return nil
}

// seals keeps which seal each sealed file has, so that a piece of one is sent without looking into it again.
type seals struct {
	mu   sync.Mutex // guards kept
	kept map[string]sealKept
}

type sealKept struct {
	seal string
	path string
	size int64
	at   time.Time // of the file's last change
}

// mostSeals is how many files are remembered.
const mostSeals = 1024

func (c *seals) put(id string, k sealKept) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= mostSeals {
		c.kept = make(map[string]sealKept)
	}
	c.kept[id] = k
}

func (c *seals) get(id string) (sealKept, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, ok := c.kept[id]
	return k, ok
}

// sealed opens the file of a sealed session.
func (s *Server) sealed(name string) (*os.File, sealKept, error) {
	if k, ok := s.seals.get(name); ok {
		if f, err := os.Open(k.path); err == nil {
			if at, err := f.Stat(); err == nil && at.Size() == k.size && at.ModTime().Equal(k.at) {
				return f, k, nil
			}
			_ = f.Close()
		}
	}
	reader, err := s.open(name)
	if err != nil {
		return nil, sealKept{}, err
	}
	i := reader.Info()
	_ = reader.Close()
	switch {
	case i.State == store.Recording:
		return nil, sealKept{}, refuse(http.StatusConflict, "recording", "session %s is being recorded: its file is there when the drive has ended", i.ID)
	case i.SHA256 == "":
		return nil, sealKept{}, refuse(http.StatusConflict, "unsealed", "session %s is not sealed: export what can be read of it", i.ID)
	}
	path, err := store.Find(s.o.Store.Dir(), i.ID)
	if err != nil {
		return nil, sealKept{}, err
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, sealKept{}, fmt.Errorf("send session %s: %w", i.ID, err)
	}
	at, err := f.Stat()
	if err != nil {
		return nil, sealKept{}, errors.Join(fmt.Errorf("send session %s: %w", i.ID, err), f.Close())
	}
	k := sealKept{i.SHA256, path, at.Size(), at.ModTime()}
	s.seals.put(i.ID, k)
	return f, k, nil
}

// attachment is a Content-Disposition of RFC 6266; the names of sessions need no quoting.
func attachment(name string) string { return `attachment; filename="` + name + `"` }

// pieceSize is how much may go out until a client must have taken it within answerTime: at 20 kB/s or less it is let go.
const pieceSize = 1 << 20

// patient gives a client time for every piece of a long answer, not for the whole, for as long as its pass is good.
type patient struct {
	http.ResponseWriter
	to      *http.ResponseController
	good    func() bool
	each    time.Duration // for a piece; answerTime if it is 0
	checked time.Time
}

// checkTime is how often a long answer looks whether its client's pass was taken back.
const checkTime = time.Second

func (s *Server) patient(w http.ResponseWriter, r *http.Request) *patient {
	return &patient{ResponseWriter: w, to: http.NewResponseController(w), checked: time.Now(), good: func() bool {
		_, ok := s.o.Access.Check(credential(r))
		return ok
	}}
}

// errOut ends an answer to somebody whose pass was taken back.
var errOut = errors.New("the pass was taken back")

func (p *patient) renew() error {
	now := time.Now()
	if now.Sub(p.checked) >= checkTime {
		if p.checked = now; !p.good() {
			return errOut
		}
	}
	_ = p.to.SetWriteDeadline(now.Add(cmp.Or(p.each, answerTime)))
	return nil
}

// Write implements io.Writer.
func (p *patient) Write(b []byte) (int, error) {
	if err := p.renew(); err != nil {
		return 0, err
	}
	return p.ResponseWriter.Write(b)
}

// Unwrap lets a ResponseController through.
func (p *patient) Unwrap() http.ResponseWriter { return p.ResponseWriter }

// ReadFrom implements io.ReaderFrom: a file goes out without a copy where the system can do that, piece by piece.
func (p *patient) ReadFrom(r io.Reader) (n int64, err error) {
	to, ok := p.ResponseWriter.(io.ReaderFrom)
	if !ok {
		return io.Copy(struct{ io.Writer }{p}, r)
	}
	// What ServeContent gives: limited, and the file itself must be seen behind the limit.
	limited, ok := r.(*io.LimitedReader)
	if !ok {
		limited = &io.LimitedReader{R: r, N: 1<<63 - 1}
	}
	for limited.N > 0 {
		if err := p.renew(); err != nil {
			return n, err
		}
		piece := &io.LimitedReader{R: limited.R, N: min(pieceSize, limited.N)}
		sent, err := to.ReadFrom(piece)
		n, limited.N = n+sent, limited.N-sent
		if err != nil {
			return n, err
		}
		if piece.N > 0 {
			return n, nil // the end of what is read
		}
	}
	return n, nil
}

// errCut says that a client took no more.
var errCut = errors.New("the client is gone")
