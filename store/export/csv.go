package export

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"underdash/store/derive"
)

// CSV writes RFC 4180: UTF-8, one header line, CRLF, a point for decimals. There is one row for every instant at which
// something was read; readings of the same instant and the same bound share it. A cell is filled only where its
// channel was read, and nothing is made up between two readings.
//
//	time [s]        since the session's clock started, to the microsecond
//	time bound [s]  half width of the span that the instant may be wrong by
//	RPM [1/min]     and the other quantities of the engine computers, as many digits as they have
//	FUELSYS1        a state or bitmap as its number, and in the column "FUELSYS1 text" in words
//	wideband [V]    volts at the plug as seen
//	wideband lambda [1], wideband AFR [1]
//	                corrected; empty where wideband state is not "valid"
//	wideband lambda uncertainty [1]
//	                what λ may be wrong by, half of a band that holds 95 %; empty where λ is
//	wideband lambda aligned [1]
//	                the same λ in the row of the instant when its mixture was drawn in
//	wideband state  valid, warming, low limit, high limit, fault, disconnected or stuck
func CSV(w io.Writer, s *derive.Session) error {
	columns, places := layout(s.Channels())
	t := table{out: csv.NewWriter(w), row: make([]string, len(columns)), places: places, channels: s.Channels()}
	t.out.UseCRLF = true
	for i, c := range columns {
		t.row[i] = c.title()
	}
	if err := t.write(); err != nil {
		return err
	}
	var lost Incomplete
	for v, err := range s.Values() {
		if err != nil {
			if err = lost.skip(err); err != nil {
				return err
			}
			continue
		}
		if err := t.put(v); err != nil {
			return err
		}
	}
	if err := t.endRow(); err != nil {
		return err
	}
	t.out.Flush()
	if err := t.out.Error(); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return lost.result()
}

// column is one column of the file.
type column struct {
	channel int // derived channel; -1 for the two of the instant
	name    string
	unit    string
	words   bool // text instead of numbers
}

func (c column) title() string {
	if c.unit == "" {
		return c.name
	}
	return c.name + " [" + c.unit + "]"
}

// place is where a channel's values go: column of the number, and of the words or -1.
type place struct{ number, words int }

// layout gives the columns, and each channel's place in them. A wideband's state stands behind its last quantity.
func layout(channels []derive.Channel) ([]column, []place) {
	columns := []column{{channel: -1, name: "time", unit: "s"}, {channel: -1, name: "time bound", unit: "s"}}
	places := make([]place, len(channels))
	for i, c := range channels {
		places[i] = place{len(columns), -1}
		columns = append(columns, column{channel: i, name: c.Name, unit: c.Unit})
		if c.Kind == derive.Status {
			places[i].words = len(columns)
			columns = append(columns, column{channel: i, name: c.Name + " text", words: true})
		}
		if last := i+1 == len(channels) || channels[i+1].Source != c.Source; last {
			for k := range i + 1 {
				if channels[k].Kind == derive.Volts && channels[k].Source == c.Source {
					places[k].words = len(columns)
					columns = append(columns, column{channel: k, name: channels[k].Name + " state", words: true})
				}
			}
		}
	}
	return columns, places
}

// table collects the row of one instant.
type table struct {
	out      *csv.Writer
	channels []derive.Channel
	places   []place

	row      []string
	used     bool
	at, half time.Duration
}

func (t *table) put(v derive.Value) error {
	p := t.places[v.Channel]
	again := t.row[p.number] != "" || p.words >= 0 && t.row[p.words] != ""
	if t.used && (v.At != t.at || v.Half != t.half || again) {
		if err := t.endRow(); err != nil {
			return err
		}
	}
	t.used, t.at, t.half = true, v.At, v.Half
	c := t.channels[v.Channel]
	if v.State != derive.Saturated { // the end of a range is no λ
		t.row[p.number] = number(v.Number, c.Decimals)
	}
	switch {
	case p.words < 0:
	case c.Kind == derive.Status:
		t.row[p.words] = v.Text
	case v.State == "":
		t.row[p.words] = "valid"
	default:
		t.row[p.words] = v.State
	}
	return nil
}

func (t *table) endRow() error {
	if !t.used {
		return nil
	}
	t.row[0], t.row[1] = seconds(t.at), seconds(roundUp(t.half))
	t.used = false
	return t.write()
}

// write writes the row and empties it.
func (t *table) write() error {
	if err := t.out.Write(t.row); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	clear(t.row)
	return nil
}

// number writes x with so many decimals, or with as many as it takes to read the same number back if they are
// negative. What is no number is an empty cell.
func number(x float64, decimals int) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return ""
	}
	s := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:] // a zero has no sign
	}
	return s
}

// seconds writes d to the microsecond, exactly.
func seconds(d time.Duration) string {
	us := d.Round(time.Microsecond).Microseconds()
	sign := ""
	if us < 0 {
		sign, us = "-", -us
	}
	return fmt.Sprintf("%s%d.%06d", sign, us/1e6, us%1e6)
}

// roundUp keeps a bound a bound.
func roundUp(d time.Duration) time.Duration {
	return (d + time.Microsecond - 1).Truncate(time.Microsecond)
}
