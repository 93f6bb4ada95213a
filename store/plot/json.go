package plot

import (
	"encoding/json"
	"math"
	"strconv"
)

// MarshalJSON writes the plot. Called directly it saves encoding/json going through the text once more.
func (p Plot) MarshalJSON() ([]byte, error) {
	n := 256
	for _, s := range p.Series {
		n += 256 + 32*len(s.Columns)
	}
	b := append(make([]byte, 0, n), `{"from":`...)
	b = append(appendNumber(b, p.From), `,"to":`...)
	b = append(appendNumber(b, p.To), `,"first":`...)
	b = append(appendNumber(b, p.First), `,"last":`...)
	b = append(appendNumber(b, p.Last), `,"series":[`...)
	for i, s := range p.Series {
		if i > 0 {
			b = append(b, ',')
		}
		var err error
		if b, err = s.append(b); err != nil {
			return nil, err
		}
	}
	b = append(b, ']')
	if p.Damage != "" {
		text, err := json.Marshal(p.Damage)
		if err != nil {
			return nil, err
		}
		b = append(append(b, `,"damage":`...), text...)
	}
	return append(b, '}'), nil
}

// MarshalJSON writes the series with its columns as arrays, and null where the line breaks.
func (s Series) MarshalJSON() ([]byte, error) { return s.append(nil) }

func (s Series) append(b []byte) ([]byte, error) {
	type plain Series // without the method
	columns := s.Columns
	s.Columns = nil
	head, err := json.Marshal(plain(s))
	if err != nil {
		return nil, err
	}
	b = append(b, head[:len(head)-1]...)
	b = append(b, `,"columns":[`...)
	for i, c := range columns {
		if i > 0 {
			b = append(b, ',')
		}
		if c.Break {
			b = append(b, "null,"...)
		}
		b = append(appendNumber(append(b, '['), c.At), ',')
		b = appendNumber(b, c.Min)
		if c.Max != c.Min {
			b = appendNumber(append(b, ','), c.Max)
		}
		b = append(b, ']')
	}
	return append(b, "]}"...), nil
}

// MarshalJSON writes the span as an array.
func (s Span) MarshalJSON() ([]byte, error) {
	b := append(appendNumber([]byte{'['}, s.From), ',')
	b = append(appendNumber(b, s.To), ',')
	words := s.State
	if s.step {
		b = append(appendNumber(b, s.Number), ',')
		if s.Text != "" {
			words = s.Text
		}
	}
	text, err := json.Marshal(words)
	if err != nil {
		return nil, err
	}
	return append(append(b, text...), ']'), nil
}

// appendNumber writes as few digits as tell x from its neighbours, which are the export's for a number rounded as there.
func appendNumber(b []byte, x float64) []byte {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return append(b, "null"...)
	}
	if a := math.Abs(x); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.AppendFloat(b, x, 'e', -1, 64)
	}
	return strconv.AppendFloat(b, x, 'f', -1, 64)
}
