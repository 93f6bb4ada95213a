package summary

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"underdash/store"
	"underdash/store/derive"
)

// Drive is one session whole.
type Drive struct {
	Row
	VIN       string      `json:"vin,omitempty"`
	Software  string      `json:"software,omitempty"`
	Ended     string      `json:"ended,omitempty"` // why it ended
	Adapter   string      `json:"adapter,omitempty"`
	FuelAFR   float64     `json:"afr_stoichiometric,omitempty"`
	Computers []Computer  `json:"engine_computers,omitempty"` // who they are
	Diagnoses []Diagnosis `json:"diagnoses,omitempty"`
	Inputs    []Input     `json:"inputs,omitempty"`
	Channels  []Channel   `json:"channels"`
	Polled    []Polled    `json:"polled,omitempty"`   // how the car was asked
	Events    []Event     `json:"events,omitempty"`   // beside the gaps
	Damage    string      `json:"damage,omitempty"`   // what could not be read of the file
	Findings  []Finding   `json:"findings,omitempty"` // what whoever drives the car should know
}

// Computer is an engine computer, as it describes itself.
type Computer struct {
	Address      string          `json:"address"` // "7E8", or that the adapter did not tell
	Name         string          `json:"name,omitempty"`
	VIN          string          `json:"vin,omitempty"`
	Calibrations []CalibrationID `json:"calibrations,omitempty"`
}

// CalibrationID names a calibration in an engine computer.
type CalibrationID struct {
	ID  string `json:"id,omitempty"`
	CVN string `json:"verification_number,omitempty"`
}

// Diagnosis is what the engine computers said at the drive's start or end.
type Diagnosis struct {
	When      string      `json:"when"` // the drive's "start" or "end"
	At        float64     `json:"at_s"`
	Problem   string      `json:"problem,omitempty"`
	Computers []Condition `json:"engine_computers,omitempty"`
}

// Condition is what one engine computer said of the engine's condition. Lists that are null were not told.
type Condition struct {
	Address    string        `json:"address"`
	Lamp       *bool         `json:"lamp_on"`
	Stored     []string      `json:"stored"`
	Pending    []string      `json:"pending"`
	Permanent  []string      `json:"permanent"`
	Open       []string      `json:"monitors_not_complete"`
	Done       []string      `json:"monitors_complete"`
	Frame      string        `json:"freeze_frame_code,omitempty"`
	Frozen     []FrozenValue `json:"freeze_frame,omitempty"`
	Unreadable []string      `json:"unreadable,omitempty"`
}

// FrozenValue is a quantity of a freeze frame.
type FrozenValue struct {
	Name  string   `json:"name"`
	Unit  string   `json:"unit,omitempty"`
	Value *float64 `json:"value"` // null without a measurement
	State string   `json:"state,omitempty"`
	Text  string   `json:"text,omitempty"`
}

// Input is how an analog input is corrected.
type Input struct {
	Name       string  `json:"name"`
	Kind       string  `json:"kind"`
	Gain       float64 `json:"gain"`
	Offset     float64 `json:"offset_volts"`
	Method     string  `json:"method"`
	Correction string  `json:"correction"` // the same in words
}

// Channel is how one quantity was read over the drive.
type Channel struct {
	Name        string   `json:"name"`
	Description string   `json:"description"`
	Unit        string   `json:"unit,omitempty"`
	Source      string   `json:"source"`
	Note        string   `json:"note,omitempty"`
	Readings    int      `json:"readings"`
	Missing     int      `json:"without_value,omitempty"`
	PerSecond   float64  `json:"per_second"`
	WorstGap    float64  `json:"worst_gap_s"`
	Min         *float64 `json:"min"` // null without a plain measurement
	Mean        *float64 `json:"mean"`
	Max         *float64 `json:"max"`
}

// Polled is how one parameter was asked for.
type Polled struct {
	Parameter string   `json:"parameter"`          // "01 0C from 7E8"
	Channels  []string `json:"channels,omitempty"` // the quantities in it; none if it was never answered
	Class     string   `json:"class"`
	Wanted    float64  `json:"wanted_per_second,omitempty"` // 0: as often as the link gives
	Asked     float64  `json:"asked_per_second"`
	Got       float64  `json:"got_per_second"`
	WorstGap  *float64 `json:"worst_gap_s"` // null without readings
}

// Event is something that happened at an instant or over a span.
type Event struct {
	At     float64  `json:"at_s"`
	Until  *float64 `json:"until_s,omitempty"`
	Kind   string   `json:"kind"`
	Source string   `json:"source,omitempty"`
	Text   string   `json:"text,omitempty"`
}

// Of describes the session that a reader reads, whole: it goes through all readings once. began is what is known of its
// date, name what an error calls it.
func Of(r *store.Reader, began store.Dating, calibrations []store.Applied, name string) (Drive, error) {
	session, err := derive.NewWith(r, derive.Options{Calibrations: calibrations})
	if err != nil {
		return Drive{}, fmt.Errorf("read %s: %w", name, err)
	}
	m := r.Meta()
	d := Drive{Row: RowOf(r.Info(), began), VIN: derive.VIN(m), Software: m.Software, Adapter: m.Adapter.Version, FuelAFR: m.Fuel.AFRst}
	if m.End != nil {
		d.Ended = m.End.Reason
	}
	for _, c := range derive.Computers(m) {
		d.Computers = append(d.Computers, shownComputer(c))
	}
	for _, k := range derive.Diagnoses(m) {
		d.Diagnoses = append(d.Diagnoses, shownDiagnosis(k))
	}
	for _, c := range m.Channels {
		if k, ok := session.Correction(c.Name); ok && c.Analog != nil {
			d.addInput(k)
		}
	}
	rates, err := session.Rates()
	if err != nil {
		if !errors.As(err, new(*store.BlockError)) {
			return Drive{}, fmt.Errorf("read %s: %w", name, err)
		}
		d.Damage = err.Error()
	}
	d.Channels = make([]Channel, 0, len(rates))
	for i, c := range session.Channels() {
		d.Channels = append(d.Channels, Channel{Name: c.Name, Description: c.Description, Unit: c.Unit, Source: c.Source, Note: c.Note,
			Readings: rates[i].Readings, Missing: rates[i].Missing, PerSecond: rates[i].PerSecond, WorstGap: rates[i].WorstGap.Seconds(),
			Min: measured(rates[i].Min), Mean: measured(rates[i].Mean), Max: measured(rates[i].Max)})
	}
	d.addPolled(m.Polled)
	d.Events = Events(m)
	d.Findings = d.findings(m)
	return d, nil
}

// addPolled adds how the car was asked, once the channels are there.
func (d *Drive) addPolled(polled []store.Polled) {
	for _, p := range polled {
		shown := Polled{Parameter: fmt.Sprintf("%02X %02X from %X", p.Service, p.PID, p.From), Class: p.Class, Wanted: p.Wanted, Asked: p.Asked, Got: p.Got}
		for _, c := range d.Channels {
			if c.Source == shown.Parameter && c.Readings > 0 {
				shown.Channels = append(shown.Channels, c.Name)
				shown.WorstGap = &c.WorstGap
			}
		}
		d.Polled = append(d.Polled, shown)
	}
}

// addInput adds an input once: one that came back with another scale has two stored channels.
func (s *Drive) addInput(k derive.Correction) {
	for _, have := range s.Inputs {
		if have.Name == k.Input {
			return
		}
	}
	s.Inputs = append(s.Inputs, Input{Name: k.Input, Kind: k.Channel.Kind, Gain: k.Calibration.Gain, Offset: k.Calibration.Offset,
		Method: k.Calibration.Method, Correction: CorrectionText(k)})
}

// measured is x for JSON, which has no NaN.
func measured(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func shownComputer(c derive.Computer) Computer {
	s := Computer{Address: c.Who(), Name: c.Acronym, VIN: c.VIN}
	if c.Acronym != "" && c.Name != "" {
		s.Name += " "
	}
	s.Name += c.Name
	for _, k := range c.Calibrations {
		s.Calibrations = append(s.Calibrations, CalibrationID(k))
	}
	return s
}

func shownDiagnosis(d derive.Diagnosis) Diagnosis {
	s := Diagnosis{When: d.When, At: d.At.Seconds(), Problem: d.Problem}
	for _, c := range d.Computers {
		k := Condition{Address: c.Who(), Stored: told(c.Stored), Pending: told(c.Pending), Permanent: told(c.Permanent), Unreadable: c.Unreadable}
		if c.Status != nil {
			k.Lamp = &c.Status.MIL
			k.Open, k.Done = []string{}, []string{}
			for _, m := range c.Status.Monitors {
				switch {
				case m.Present && m.Complete:
					k.Done = append(k.Done, m.Name)
				case m.Present:
					k.Open = append(k.Open, m.Name)
				}
			}
		}
		if f := c.Frame; f != nil {
			k.Frame = f.Code
			for _, v := range f.Values {
				k.Frozen = append(k.Frozen, FrozenValue{Name: v.Name, Unit: v.Unit, Value: measured(v.Number), State: v.State, Text: v.Text})
			}
		}
		s.Computers = append(s.Computers, k)
	}
	return s
}

func told(c derive.Codes) []string {
	if c.Told && c.List == nil {
		return []string{}
	}
	return c.List
}

// Events are a session's marks, notes and pauses: what happened beside the gaps.
func Events(m store.Meta) (all []Event) {
	for _, e := range m.Events {
		if e.Kind == "gap" {
			continue
		}
		s := Event{At: e.At.Seconds(), Kind: e.Kind, Source: e.Source, Text: e.Text}
		if e.Until != store.StillOpen && e.Until > e.At {
			until := e.Until.Seconds()
			s.Until = &until
		}
		all = append(all, s)
	}
	return all
}

// wideband is the kind of an input whose wiring is corrected for.
const wideband = "wideband"

// CorrectionText says how an input's volts were corrected, for people.
func CorrectionText(c derive.Correction) string {
	cal := c.Calibration
	switch {
	case c.Channel.Kind != wideband:
		return "read by its scale as configured: no other than a wideband's wiring is corrected for"
	case len(cal.Levels) == 0 && uncorrected(cal.Method):
		return "not corrected: no known level was seen"
	case len(cal.Levels) == 0:
		return fmt.Sprintf("corrected by a gain of %.4f that was reckoned, with no known level seen (%s)", cal.Gain, cal.Method)
	}
	if len(cal.Levels) > 1 {
		return fmt.Sprintf("corrected by a gain of %.4f and an offset of %+.1f mV from known levels (%s; %s)", cal.Gain, 1000*cal.Offset, kinds(cal.Levels), cal.Method)
	}
	l := cal.Levels[0]
	return fmt.Sprintf("corrected by a gain of %.4f from a known level of %.3f V seen as %.3f V (%s)", cal.Gain, l.Known, l.Seen, cal.Method)
}

// kinds lists the kinds of levels, each once.
func kinds(levels []store.Level) string {
	var words []string
	for _, l := range levels {
		if !slices.Contains(words, l.Kind) {
			words = append(words, l.Kind)
		}
	}
	return strings.Join(words, ", ")
}
