package httpapi

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"
)

// take reads the JSON that a request sends into v.
func take(w http.ResponseWriter, r *http.Request, v any) error {
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		return refuse(http.StatusUnsupportedMediaType, "", "this is sent as JSON: with Content-Type: application/json")
	}
	text, err := io.ReadAll(r.Body)
	if tooMuch := (*http.MaxBytesError)(nil); errors.As(err, &tooMuch) {
		return refuse(http.StatusRequestEntityTooLarge, "", "a request has %d bytes at the most", tooMuch.Limit)
	}
	if err != nil {
		w.Header().Set("Connection", "close")
		return refuse(http.StatusRequestTimeout, "", "the request did not come whole: %v", err)
	}
	_ = http.NewResponseController(w).SetReadDeadline(time.Time{}) // what follows may take its time
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return refuse(http.StatusBadRequest, "", "this is not the JSON that is wanted: %v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return refuse(http.StatusBadRequest, "", "one JSON object is wanted, and more came")
	}
	return nil
}

// answer sends JSON.
func answer(w http.ResponseWriter, v any) error { return answerWith(w, http.StatusOK, v) }

func answerWith(w http.ResponseWriter, status int, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(text)+1))
	inTime(w)
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n')) // who asked is gone, or gets it
	return nil
}

// inTime gives a client time for what was found out just now, which may have taken long.
func inTime(w http.ResponseWriter) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(answerTime))
}

func nothing(w http.ResponseWriter) error {
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// query are a request's parameters, of which there may be none but those named.
func query(r *http.Request, names ...string) (url.Values, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, refuse(http.StatusBadRequest, "", "the address makes no sense behind the ?: %v", err)
	}
	for name := range q {
		if !slices.Contains(names, name) {
			return nil, refuse(http.StatusBadRequest, "", "there is no %q here, but %s", name, joined(names))
		}
	}
	return q, nil
}

// number is a parameter; ok is false if it is not given.
func number(q url.Values, name string, least, most float64) (n float64, ok bool, err error) {
	text := q.Get(name)
	if text == "" {
		return 0, false, nil
	}
	n, err = strconv.ParseFloat(text, 64)
	if err != nil || !(n >= least && n <= most) {
		return 0, false, refuse(http.StatusBadRequest, "", "%s=%s is no number of %v to %v", name, text, least, most)
	}
	return n, true, nil
}
