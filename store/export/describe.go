package export

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/url"
	"strings"
	"time"

	"underdash/store"
	"underdash/store/derive"
)

// DescriptionSuffix is what W3C's Metadata Vocabulary for Tabular Data (2015), section 6.1, lets follow a CSV file's
// name to find its description.
const DescriptionSuffix = "-metadata.json"

// csvw is the description of one table in that vocabulary. It has no property for units, so a column carries one as
// an annotation, schema:unitText.
type csvw struct {
	Context     string      `json:"@context"`
	URL         string      `json:"url"`
	Identifier  string      `json:"dc:identifier"`
	Created     string      `json:"dc:created,omitempty"`
	Description []string    `json:"dc:description,omitempty"`
	Dialect     csvwDialect `json:"dialect"`
	Schema      csvwSchema  `json:"tableSchema"`
}

type csvwDialect struct {
	Encoding    string `json:"encoding"`
	Delimiter   string `json:"delimiter"`
	Quote       string `json:"quoteChar"`
	DoubleQuote bool   `json:"doubleQuote"`
	Terminators string `json:"lineTerminators"`
	Header      bool   `json:"header"`
}

type csvwSchema struct {
	Columns []csvwColumn `json:"columns"`
}

type csvwColumn struct {
	Name        string `json:"name"`
	Title       string `json:"titles"`
	Type        string `json:"datatype"`
	Required    bool   `json:"required,omitempty"`
	Unit        string `json:"schema:unitText,omitempty"`
	Description string `json:"dc:description,omitempty"`
	Source      string `json:"dc:source,omitempty"`
	Correction  string `json:"dc:provenance,omitempty"`
}

// Describe writes the description of the CSV file of that name: the columns, their units and sources, and the
// calibration behind them. date is what is known of when the session began.
func Describe(w io.Writer, csvName string, s *derive.Session, date store.Dating) error {
	m := s.Meta()
	d := csvw{
		Context: "http://www.w3.org/ns/csvw", URL: url.PathEscape(csvName), Identifier: m.ID, Created: began(date),
		Dialect: csvwDialect{Encoding: "utf-8", Delimiter: ",", Quote: `"`, DoubleQuote: true, Terminators: "\r\n", Header: true},
	}
	if m.Vehicle != "" {
		d.Description = append(d.Description, "vehicle: "+m.Vehicle)
	}
	d.Description = append(d.Description, condition(m)...)
	if text := dated(date); text != "" {
		d.Description = append(d.Description, "date: "+text)
	}
	for _, e := range m.Events {
		d.Description = append(d.Description, event(e))
	}
	columns, _ := layout(s.Channels())
	for _, c := range columns {
		d.Schema.Columns = append(d.Schema.Columns, describeColumn(c, s))
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(d); err != nil {
		return fmt.Errorf("write: %w", err)
	}
	return nil
}

func describeColumn(c column, s *derive.Session) csvwColumn {
	d := csvwColumn{Name: columnName(c.name), Title: c.title(), Type: "number", Unit: c.unit}
	if c.words {
		d.Type = "string"
	}
	if c.channel < 0 {
		d.Required = true
		d.Description = "since the session's clock started"
		if c.name == "time bound" {
			d.Description = "half width of the span that the time may be wrong by"
		}
		return d
	}
	channel := s.Channels()[c.channel]
	d.Description, d.Source, d.Correction = channel.Description, channel.Source, channel.Note
	if c.words && channel.Kind == derive.Volts {
		d.Description = "whether the volts mean a λ: valid, warming, low limit, high limit, fault, disconnected or stuck"
		return d
	}
	if strings.HasPrefix(channel.Name, "LAMBDA") {
		d.Description += "; empty where it is at the end of its range, as in a fuel cut"
	}
	if k, ok := s.Correction(channel.Source); ok && channel.Kind != derive.Volts {
		d.Correction = correction(k)
	}
	return d
}

// columnName makes a name that the vocabulary allows: letters, digits and underscores.
func columnName(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return '_'
	}, s)
}

func correction(k derive.Correction) string {
	a, c := k.Channel, k.Calibration
	text := fmt.Sprintf("%v V means %v and %v V means %v; seen = %v·true + %v V, method: %s",
		a.Low.Volts, a.Low.Value, a.High.Volts, a.High.Value, c.Gain, c.Offset, c.Method)
	if k.Applied != nil {
		text += fmt.Sprintf(" from session %d on", k.Applied.From)
	}
	if c.Made != nil {
		text += ", made " + c.Made.UTC().Format(time.RFC3339)
	}
	if c.AssumedOffset {
		text += ", no offset assumed"
	}
	if c.Fuel != nil {
		text += ", on " + c.Fuel.Name
	}
	text += levels(c.Levels)
	if k.Other != nil {
		text += fmt.Sprintf("; the one applied from session %d on was measured through a divider of %v and not %v volts at the plug for each at the converter, and is of no use here", k.Other.From, k.Other.PlugPerPin, a.Divider)
	}
	if known := k.Known(); known != "" {
		text += "; " + known
	}
	return text
}

// mostLevels is how many levels are told one by one.
const mostLevels = 4

// tellingResidual is the least that is told, in volts: less is no more than the last digit.
const tellingResidual = 0.00005

// levels tells the known levels behind a calibration, or, of many, how many there are of each kind.
func levels(all []store.Level) (text string) {
	if len(all) <= mostLevels {
		for _, l := range all {
			text += fmt.Sprintf("; %s of %v V seen as %v V", l.Kind, l.Known, l.Seen)
			if math.Abs(l.Residual) >= tellingResidual {
				text += fmt.Sprintf(", %+.1f mV off the correction", 1000*l.Residual)
			}
		}
		return text
	}
	var kinds []string
	count := make(map[string]int)
	most := 0.0
	for _, l := range all {
		most = max(most, math.Abs(l.Residual))
		if count[l.Kind] == 0 {
			kinds = append(kinds, l.Kind)
		}
		count[l.Kind]++
	}
	for i, k := range kinds {
		kinds[i] = fmt.Sprintf("%d of %s", count[k], k)
	}
	text = "; known levels: " + strings.Join(kinds, ", ")
	if most >= tellingResidual {
		text += fmt.Sprintf(", none more than %.1f mV off the correction", 1000*most)
	}
	return text
}

func event(e store.Event) string {
	span := seconds(e.At) + " s"
	switch {
	case e.Until == store.StillOpen:
		span = "from " + span
	case e.Until > e.At:
		span += " to " + seconds(e.Until) + " s"
	}
	text := strings.TrimSpace(e.Source + " " + e.Text)
	return strings.TrimSpace(fmt.Sprintf("%s, %s: %s", e.Kind, span, text))
}

// began is the wall-clock time of the session clock's start, empty if nothing is known of it.
func began(d store.Dating) string {
	if !d.Known() {
		return ""
	}
	return d.Began.UTC().Format(time.RFC3339Nano)
}

// dated is what there is to say of a date that is a guess or not known; empty of one that is known.
func dated(d store.Dating) string {
	after, before := d.After.UTC().Format(time.RFC3339), d.Before.UTC().Format(time.RFC3339)
	switch {
	case d.Dated():
		return ""
	case d.Known():
		return "by the board's own clock, which was not known to be right"
	case !d.After.IsZero() && !d.Before.IsZero():
		return "not known; it began between " + after + " and " + before
	case !d.After.IsZero():
		return "not known; it began after " + after
	case !d.Before.IsZero():
		return "not known; it began before " + before
	}
	return "not known"
}
