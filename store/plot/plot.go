// Package plot thins a session's channels out for a plot, so that an hour is drawn no slower than a minute. A session is
// decoded once into compact columns, which a Cache holds for the next ranges that are asked of it. Nothing is made up:
// a column has the least and the greatest reading of its width, a gap stays a gap, and once there are few enough
// readings in a range every single one is given with the numbers of the export.
package plot

import (
	"fmt"
	"time"
)

// The bounds of Request.Points.
const (
	MinPoints     = 50
	MaxPoints     = 4000
	DefaultPoints = 800
)

// mostCells bounds a plot's points over all its channels: of many channels each has fewer.
const mostCells = 100_000

// Request says what is to be drawn.
type Request struct {
	Channels []string      // by name, as derive.Channel has them; none stands for all
	From, To time.Duration // on the session's clock, without To itself; a To of 0 stands for the end, its last reading included
	Points   int           // most columns or readings a channel, MinPoints to MaxPoints, fewer where there are very many channels; 0 stands for DefaultPoints
}

// RequestError says in one sentence what is wrong with a Request.
type RequestError struct{ Text string }

func (e *RequestError) Error() string { return e.Text }

// check completes the request, or says what is wrong with it.
func (q Request) check() (Request, error) {
	if q.Points == 0 {
		q.Points = DefaultPoints
	}
	switch {
	case q.Points < MinPoints || q.Points > MaxPoints:
		return q, &RequestError{fmt.Sprintf("%d points: a plot has %d to %d", q.Points, MinPoints, MaxPoints)}
	case q.To != 0 && q.To <= q.From:
		return q, &RequestError{fmt.Sprintf("the range ends at %v, not after its start at %v", q.To, q.From)}
	}
	return q, nil
}

// Plot is what is drawn of a range. Instants and widths are in seconds, instants on the session's clock.
type Plot struct {
	From   float64  `json:"from"`  // of the range, as asked or completed
	To     float64  `json:"to"`    // as well
	First  float64  `json:"first"` // the session's first reading of any channel
	Last   float64  `json:"last"`  // and its last
	Series []Series `json:"series"`
	Damage string   `json:"damage,omitempty"` // what could not be read, in words; empty if everything could
}

// Series is one channel's part of a Plot. Its columns stand in the order of their instants.
//
// With a Width of 0 the columns are single readings: all those of the range, and the one before and the one behind it,
// so that a line runs out of the picture. Else a column is what was read from At until At+Width, on a grid that stays
// when the range moves; the first and the last may reach over the range's ends.
type Series struct {
	Channel     string   `json:"channel"`
	Description string   `json:"description"`
	Unit        string   `json:"unit"` // "1" for ratios, empty for a status
	Decimals    int      `json:"decimals"`
	Width       float64  `json:"width"`
	Columns     []Column `json:"-"` // "columns": [t,min,max], or [t,number] where both are the same; null before a break
	States      []Span   `json:"states,omitempty"`
	Steps       []Span   `json:"steps,omitempty"`
}

// Column is one reading, or what several come to. Numbers are in the channel's unit and rounded as the export does.
type Column struct {
	At, Min, Max, Last float64
	// Break says that no line leads here from the column before: the source had nothing for longer than a few of its
	// intervals, or the session has a gap or a pause of it there, or readings without a number lie between.
	Break bool
}

// Span is a time that something held. It ends with the next reading that says otherwise, or with the last one before
// a gap.
//
// A Series' States are what readings had instead of a plain measurement, as in derive.Value: JSON [from,to,"state"].
// A wideband's λ and AFR have their input's, which say why there is none. Its Steps are what a status was:
// [from,to,number,"text"], with null for a number that there is not. Where there are more of one kind than the
// request's points, only the longest of those that begin within one column is there.
type Span struct {
	From, To float64
	Number   float64 // of a status; NaN for none
	State    string
	Text     string // of a status
	step     bool
}
