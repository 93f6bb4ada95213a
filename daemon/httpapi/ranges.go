package httpapi

import (
	"math"
	"net/http"
	"strconv"
	"strings"
)

// span is a part of an answer: bytes from first on, to last (included).
type span struct {
	first, last int64
	suffix      bool // the last -first bytes
}

// rangeOf reads a request's Range header (RFC 9110 section 14.2). There is one span at most: of several, or of what makes no
// sense, the header may be ignored, and is. An If-Range that is not the tag makes it be ignored too; a date never holds,
// since there is none.
func rangeOf(r *http.Request, tag string) (span, bool) {
	header := r.Header.Get("Range")
	spec, ok := strings.CutPrefix(header, "bytes=")
	if !ok || r.Method != http.MethodGet || len(r.Header.Values("Range")) != 1 {
		return span{}, false
	}
	if c := r.Header.Get("If-Range"); c != "" && c != tag {
		return span{}, false
	}
	first, last, ok := strings.Cut(strings.TrimSpace(spec), "-")
	if !ok || first == "" && last == "" {
		return span{}, false
	}
	a, okA := digits(first)
	b, okB := digits(last)
	switch {
	case first == "" && okB:
		return span{first: -b, suffix: true}, true
	case okA && last == "":
		return span{first: a, last: math.MaxInt64}, true
	case okA && okB && a <= b:
		return span{first: a, last: b}, true
	}
	return span{}, false
}

// digits reads a number without a sign.
func digits(text string) (int64, bool) {
	if text == "" || strings.Trim(text, "0123456789") != "" {
		return 0, false
	}
	n, err := strconv.ParseInt(text, 10, 64)
	return n, err == nil
}

// within fits the span into so many bytes; not ok if none of it is there.
func (p span) within(length int64) (span, bool) {
	if p.suffix {
		return span{first: max(0, length+p.first), last: length - 1}, p.first < 0 && length > 0
	}
	return span{first: p.first, last: min(p.last, length-1)}, p.first < length
}

// matches tells whether a list of entity tags has one (RFC 9110 section 13.1.2, weak comparison).
func matches(list, tag string) bool {
	if strings.TrimSpace(list) == "*" {
		return true
	}
	for one := range strings.SplitSeq(list, ",") {
		if strings.TrimPrefix(strings.TrimSpace(one), "W/") == tag {
			return true
		}
	}
	return false
}
