package pull

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// mostRestarts is how often a file may turn out to be another one while it is fetched.
const mostRestarts = 5

// fetching is one file on its way.
type fetching struct {
	p        *Puller
	path     string // under the API's
	to       *part
	begin    time.Duration // for the answer to begin
	progress Progress
	started  time.Time
	total    int64 // bytes; -1: not known yet
	furthest int64 // the most bytes that ever were there: what comes again is no progress
	restarts int
}

// fetch completes a part, over as many connections as it takes. The part stays open.
func (p *Puller) fetch(ctx context.Context, name, path string, to *part, begin time.Duration) (*fetching, error) {
	f := &fetching{p: p, path: path, to: to, begin: begin, started: time.Now(), total: -1, furthest: to.size}
	f.progress = Progress{Name: name, Nth: p.nth, Of: p.of, Done: to.size, Total: -1}
	err := p.persist(ctx, f.try)
	f.progress.Took = time.Since(f.started)
	p.report.Received += f.progress.Received
	p.report.Took += f.progress.Took
	return f, err
}

// finished says that what was fetched is right.
func (f *fetching) finished() {
	f.progress.Finished, f.progress.Total = true, f.progress.Done
	f.p.o.Progress(f.progress)
}

// try asks once for what is missing.
func (f *fetching) try(ctx context.Context) error {
	h := http.Header{}
	if f.to.size > 0 {
		if f.to.of.Tag == "" {
			if err := f.restart(""); err != nil {
				return err
			}
		} else {
			h.Set("Range", fmt.Sprintf("bytes=%d-", f.to.size))
			h.Set("If-Range", f.to.of.Tag)
		}
	}
	a, err := f.p.client.ask(ctx, http.MethodGet, f.path, h, nil, f.begin)
	if err != nil {
		return err
	}
	defer func() { _ = a.Close() }()
	switch a.StatusCode {
	case http.StatusOK:
		if f.to.size > 0 {
			err = f.restart(a.Header.Get("ETag"))
		} else {
			err = f.to.begin(a.Header.Get("ETag"))
		}
		if err != nil {
			return err
		}
		f.total = a.ContentLength
	case http.StatusPartialContent:
		first, total, ok := contentRange(a.Header.Get("Content-Range"))
		if tag := a.Header.Get("ETag"); !ok || first != f.to.size || tag != f.to.of.Tag {
			return f.wrong()
		}
		f.total = total
	case http.StatusRequestedRangeNotSatisfiable:
		if _, total, ok := contentRange(a.Header.Get("Content-Range")); ok && total == f.to.size {
			f.total = total
			return nil // an earlier run had it all
		}
		return f.wrong()
	default:
		return f.p.client.refusal(a)
	}
	return f.take(a)
}

// wrong begins anew after an answer that does not go on where the part ends.
func (f *fetching) wrong() error {
	if err := f.restart(""); err != nil {
		return err
	}
	return &againError{err: errors.New("it does not go on where it broke off, and is fetched from its beginning")}
}

func (f *fetching) restart(tag string) error {
	if f.restarts++; f.restarts > mostRestarts {
		return fmt.Errorf("it is another file every time it is asked for, and was given up after %d tries", mostRestarts)
	}
	return f.to.begin(tag)
}

func (f *fetching) take(a *answerOf) error {
	f.progress.Total = f.total
	buffer := make([]byte, 64<<10)
	for {
		n, err := a.Read(buffer)
		if n > 0 {
			if _, err := f.to.Write(buffer[:n]); err != nil {
				return err
			}
			f.progress.Done, f.progress.Received = f.to.size, f.progress.Received+int64(n)
			f.progress.Took = time.Since(f.started)
			f.p.o.Progress(f.progress)
			if f.to.size > f.furthest {
				f.furthest = f.to.size
				f.p.reached()
			}
		}
		if err == nil {
			continue
		}
		if !errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return err
		}
		if f.total >= 0 && f.to.size != f.total {
			return &againError{err: io.ErrUnexpectedEOF}
		}
		return nil
	}
}

// contentRange reads a Content-Range (RFC 9110 section 14.4): where the part begins (-1 of none), and how long the whole
// is (-1: not told).
func contentRange(header string) (first, total int64, ok bool) {
	spec, found := strings.CutPrefix(header, "bytes ")
	part, length, cut := strings.Cut(spec, "/")
	if !found || !cut {
		return 0, 0, false
	}
	first, total = -1, -1
	var err error
	if length != "*" {
		if total, err = strconv.ParseInt(length, 10, 64); err != nil || total < 0 {
			return 0, 0, false
		}
	}
	if part == "*" {
		return first, total, true
	}
	from, _, cut := strings.Cut(part, "-")
	if first, err = strconv.ParseInt(from, 10, 64); err != nil || !cut || first < 0 {
		return 0, 0, false
	}
	return first, total, true
}
