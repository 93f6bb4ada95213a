// Package summary says what a listing tells of sessions, and what a look at one of them tells, as values with names in
// JSON: the same whoever asks, on the command line or over the network.
package summary

import (
	"cmp"
	"fmt"
	"time"

	"underdash/store"
	"underdash/store/derive"
)

// Row is one drive in a listing.
type Row struct {
	ID       string     `json:"id"`
	State    string     `json:"state"`
	Began    *time.Time `json:"began,omitempty"`         // nil while nothing is known of it, or what the board's clock said cannot be
	Clock    string     `json:"clock,omitempty"`         // where Began is from: "synchronised", "client", or "system", which is a guess
	ClockOff *float64   `json:"clock_error_s,omitempty"` // what Began may be off by, seconds; nil: not known
	After    *time.Time `json:"began_after,omitempty"`   // of a session without a date: it began not before this,
	Before   *time.Time `json:"began_before,omitempty"`  // and not after this
	Length   float64    `json:"length_s"`                // seconds
	Readings uint64     `json:"readings"`                //
	Bytes    int64      `json:"bytes"`                   // the file's size
	Vehicle  string     `json:"vehicle,omitempty"`       // the configured name, else the VIN that the car told
	Fuel     string     `json:"fuel,omitempty"`          //
	Protocol string     `json:"protocol,omitempty"`      // how the car was spoken to
	Gaps     []Gap      `json:"gaps,omitempty"`          // when a source had nothing to say, and why
	Pinned   bool       `json:"pinned,omitempty"`        // it stays when room is needed
	Pulled   bool       `json:"pulled,omitempty"`        // it is elsewhere too
	Number   uint64     `json:"number"`                  // its place in the order of the store's sessions
	SHA256   string     `json:"sha256,omitempty"`        // of what it holds, once it is sealed
	Read     []Reading  `json:"read_by,omitempty"`       // how the analog inputs are corrected
	Worries  []string   `json:"worries,omitempty"`       // what its description says that is to be looked at, beside the gaps
	Err      string     `json:"error,omitempty"`         // what is wrong with the file
}

// Gap is when a source had nothing to say.
type Gap struct {
	Source string   `json:"source"`
	From   float64  `json:"from_s"`
	Until  *float64 `json:"until_s"` // nil: to the end
	Why    string   `json:"why"`
}

// Reading is by which calibration an input of a session is read.
type Reading struct {
	Input  string  `json:"input"`
	Gain   float64 `json:"gain"`
	Offset float64 `json:"offset"` // volts
	Method string  `json:"method"`
	From   uint64  `json:"from_session,omitempty"` // of one that was applied
}

// String is the gap in a line.
func (g Gap) String() string {
	until := "to the end"
	if g.Until != nil {
		until = fmt.Sprintf("to %.1f s", *g.Until)
	}
	return fmt.Sprintf("no %s from %.1f s %s: %s", g.Source, g.From, until, g.Why)
}

// RowOf describes a session of a listing, with what is known of its date.
func RowOf(i store.Info, date store.Dating) Row {
	r := Row{ID: i.ID, State: i.State, Length: i.Length.Seconds(), Readings: i.Samples, Bytes: i.Bytes,
		Vehicle: cmp.Or(i.Meta.Vehicle, derive.VIN(i.Meta)), Fuel: i.Meta.Fuel.Name, Protocol: i.Meta.Adapter.Protocol, Pinned: i.Pinned, Pulled: i.Pulled, Number: i.Number, SHA256: i.SHA256, Err: i.Err}
	if date.Known() {
		r.Began, r.Clock = &date.Began, date.Source
	}
	if date.Known() && date.MaxError > 0 {
		off := date.MaxError.Seconds()
		r.ClockOff = &off
	}
	if !date.After.IsZero() {
		r.After = &date.After
	}
	if !date.Before.IsZero() {
		r.Before = &date.Before
	}
	for _, e := range i.Meta.Events {
		if e.Kind != "gap" {
			continue
		}
		g := Gap{Source: e.Source, From: e.At.Seconds(), Why: e.Text}
		if e.Until != store.StillOpen {
			until := e.Until.Seconds()
			g.Until = &until
		}
		r.Gaps = append(r.Gaps, g)
	}
	return r
}

// ReadBy tells how a session's inputs are corrected; nothing of a session that cannot be read.
func ReadBy(m store.Meta, calibrations []store.Applied) (rows []Reading) {
	session, err := derive.NewWith(derive.Snapshot{Description: m}, derive.Options{Calibrations: calibrations})
	if err != nil {
		return nil
	}
	seen := map[string]bool{}
	for _, c := range m.Channels {
		k, ok := session.Correction(c.Name)
		if c.Analog == nil || c.Analog.Kind != wideband || !ok || seen[c.Name] { // no other input is corrected
			continue
		}
		seen[c.Name] = true
		r := Reading{Input: c.Name, Gain: k.Calibration.Gain, Offset: k.Calibration.Offset, Method: k.Calibration.Method}
		if k.Applied != nil {
			r.From = k.Applied.From
		}
		rows = append(rows, r)
	}
	return rows
}

// BeganText is the date in words, "not known" where there is none, and whether it is a guess: what the board's own clock
// said, where nobody knows whether it was right and nothing says that it was wrong.
func (r Row) BeganText() (text string, guess bool) {
	switch {
	case r.Began == nil:
		return "not known", false
	case r.Clock != store.BySystem:
		return Stamp(*r.Began), false
	}
	return "~" + Stamp(*r.Began), true
}

// Bounds says what is known of the date of a session that has none.
func (r Row) Bounds() string {
	switch {
	case r.After != nil && r.Before != nil:
		return fmt.Sprintf("began between %s and %s", Stamp(*r.After), Stamp(*r.Before))
	case r.After != nil:
		return "began after " + Stamp(*r.After)
	case r.Before != nil:
		return "began before " + Stamp(*r.Before)
	}
	return ""
}

// Stamp is a time of day for people, in UTC.
func Stamp(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05") }
