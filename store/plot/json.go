package plot

import (
	"encoding/json"
	"math"
	"strconv"
)

// MarshalJSON writes the columns as arrays, with null where the line breaks.
func (s Series) MarshalJSON() ([]byte, error) {
	type plain Series // without this method
	columns := make([]byte, 0, 24*len(s.Columns)+2)
	columns = append(columns, '[')
	for i, c := range s.Columns {
		if i > 0 {
			columns = append(columns, ',')
		}
		if c.Break {
			columns = append(columns, "null,"...)
		}
		columns = append(columns, '[')
		columns = append(appendNumber(columns, c.At), ',')
		columns = appendNumber(columns, c.Min)
		if c.Max != c.Min {
			columns = appendNumber(append(columns, ','), c.Max)
		}
		columns = append(columns, ']')
	}
	columns = append(columns, ']')
	return json.Marshal(struct {
		plain
		Columns json.RawMessage `json:"columns"`
	}{plain(s), columns})
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
