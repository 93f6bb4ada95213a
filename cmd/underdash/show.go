package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"underdash/store"
	"underdash/store/derive"
)

func showCommand() *cobra.Command {
	var (
		in     where
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "show SESSION",
		Short: "Show one drive whole: the car, its codes, the channels, what is missing",
		Long: "Shows what a session holds beside its readings: which car and which calibrations in its engine computers, their\n" +
			"trouble codes at the drive's start and end, how every channel was read, where readings are missing and why.\n" +
			"SESSION is a name from 'underdash sessions', the beginning of one, or 'last'.",
		Args: exactArgs(1, "one session, by its name, the beginning of it, or 'last'"),
		RunE: func(cmd *cobra.Command, args []string) error {
			dir, err := in.path()
			if err != nil {
				return err
			}
			path, err := store.Find(dir, args[0])
			if err != nil {
				return usageError{err}
			}
			shown, err := show(path)
			if err != nil {
				return err
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				return enc.Encode(shown)
			}
			return shown.print(cmd.OutOrStdout())
		},
	}
	in.flags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of text")
	return cmd
}

// sessionShown is one session whole.
type sessionShown struct {
	sessionRow
	VIN       string           `json:"vin,omitempty"`
	Software  string           `json:"software,omitempty"`
	Ended     string           `json:"ended,omitempty"` // why it ended
	Adapter   string           `json:"adapter,omitempty"`
	FuelAFR   float64          `json:"afr_stoichiometric,omitempty"`
	Computers []computerShown  `json:"engine_computers,omitempty"` // who they are
	Diagnoses []diagnosisShown `json:"diagnoses,omitempty"`
	Inputs    []inputShown     `json:"inputs,omitempty"`
	Channels  []channelShown   `json:"channels"`
	Polled    []polledShown    `json:"polled,omitempty"` // how the car was asked
	Events    []eventShown     `json:"events,omitempty"` // beside the gaps
	Damage    string           `json:"damage,omitempty"` // what could not be read of the file
}

type computerShown struct {
	Address      string             `json:"address"`
	Name         string             `json:"name,omitempty"`
	VIN          string             `json:"vin,omitempty"`
	Calibrations []calibrationShown `json:"calibrations,omitempty"`
}

type calibrationShown struct {
	ID  string `json:"id,omitempty"`
	CVN string `json:"verification_number,omitempty"`
}

type diagnosisShown struct {
	When      string           `json:"when"` // the drive's "start" or "end"
	At        float64          `json:"at_s"`
	Problem   string           `json:"problem,omitempty"`
	Computers []conditionShown `json:"engine_computers,omitempty"`
}

// conditionShown is what one engine computer said of the engine's condition. Lists that are null were not told.
type conditionShown struct {
	Address    string        `json:"address"`
	Lamp       *bool         `json:"lamp_on"`
	Stored     []string      `json:"stored"`
	Pending    []string      `json:"pending"`
	Permanent  []string      `json:"permanent"`
	Open       []string      `json:"monitors_not_complete"`
	Done       []string      `json:"monitors_complete"`
	Frame      string        `json:"freeze_frame_code,omitempty"`
	Frozen     []frozenShown `json:"freeze_frame,omitempty"`
	Unreadable []string      `json:"unreadable,omitempty"`
}

type frozenShown struct {
	Name  string   `json:"name"`
	Unit  string   `json:"unit,omitempty"`
	Value *float64 `json:"value"` // null without a measurement
	State string   `json:"state,omitempty"`
	Text  string   `json:"text,omitempty"`
}

type inputShown struct {
	Name       string  `json:"name"`
	Kind       string  `json:"kind"`
	Gain       float64 `json:"gain"`
	Offset     float64 `json:"offset_volts"`
	Method     string  `json:"method"`
	Correction string  `json:"correction"` // the same in words
}

type channelShown struct {
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

// polledShown is how one parameter was asked for.
type polledShown struct {
	Parameter string   `json:"parameter"`          // "01 0C from 7E8"
	Channels  []string `json:"channels,omitempty"` // the quantities in it; none if it was never answered
	Class     string   `json:"class"`
	Wanted    float64  `json:"wanted_per_second,omitempty"` // 0: as often as the link gives
	Asked     float64  `json:"asked_per_second"`
	Got       float64  `json:"got_per_second"`
	WorstGap  *float64 `json:"worst_gap_s"` // null without readings
}

type eventShown struct {
	At     float64  `json:"at_s"`
	Until  *float64 `json:"until_s,omitempty"`
	Kind   string   `json:"kind"`
	Source string   `json:"source,omitempty"`
	Text   string   `json:"text,omitempty"`
}

// show reads a session file.
func show(path string) (sessionShown, error) {
	r, err := store.OpenReader(path)
	if err != nil {
		return sessionShown{}, err
	}
	defer r.Close()
	calibrations, err := store.Calibrations(filepath.Dir(path))
	if err != nil {
		return sessionShown{}, err
	}
	session, err := derive.NewWith(r, derive.Options{Calibrations: calibrations})
	if err != nil {
		return sessionShown{}, fmt.Errorf("read %s: %w", filepath.Base(path), err)
	}
	m := r.Meta()
	s := sessionShown{sessionRow: row(r.Info(), m.Began()), VIN: derive.VIN(m), Software: m.Software, Adapter: m.Adapter.Version, FuelAFR: m.Fuel.AFRst}
	if m.End != nil {
		s.Ended = m.End.Reason
	}
	for _, c := range derive.Computers(m) {
		s.Computers = append(s.Computers, shownComputer(c))
	}
	for _, d := range derive.Diagnoses(m) {
		s.Diagnoses = append(s.Diagnoses, shownDiagnosis(d))
	}
	for _, c := range m.Channels {
		if k, ok := session.Correction(c.Name); ok && c.Analog != nil {
			s.addInput(k)
		}
	}
	rates, err := session.Rates()
	if err != nil {
		if !errors.As(err, new(*store.BlockError)) {
			return sessionShown{}, err
		}
		s.Damage = err.Error()
	}
	s.Channels = make([]channelShown, 0, len(rates))
	for i, c := range session.Channels() {
		s.Channels = append(s.Channels, channelShown{Name: c.Name, Description: c.Description, Unit: c.Unit, Source: c.Source, Note: c.Note,
			Readings: rates[i].Readings, Missing: rates[i].Missing, PerSecond: rates[i].PerSecond, WorstGap: rates[i].WorstGap.Seconds(),
			Min: measured(rates[i].Min), Mean: measured(rates[i].Mean), Max: measured(rates[i].Max)})
	}
	s.addPolled(m.Polled)
	for _, e := range m.Events {
		if e.Kind != "gap" {
			s.Events = append(s.Events, shownEvent(e))
		}
	}
	return s, nil
}

// addPolled adds how the car was asked, once the channels are there.
func (s *sessionShown) addPolled(polled []store.Polled) {
	for _, p := range polled {
		shown := polledShown{Parameter: fmt.Sprintf("%02X %02X from %X", p.Service, p.PID, p.From), Class: p.Class, Wanted: p.Wanted, Asked: p.Asked, Got: p.Got}
		for _, c := range s.Channels {
			if c.Source == shown.Parameter && c.Readings > 0 {
				shown.Channels = append(shown.Channels, c.Name)
				shown.WorstGap = &c.WorstGap
			}
		}
		s.Polled = append(s.Polled, shown)
	}
}

// addInput adds an input once: one that came back with another scale has two stored channels.
func (s *sessionShown) addInput(k derive.Correction) {
	for _, have := range s.Inputs {
		if have.Name == k.Input {
			return
		}
	}
	s.Inputs = append(s.Inputs, inputShown{Name: k.Input, Kind: k.Channel.Kind, Gain: k.Calibration.Gain, Offset: k.Calibration.Offset,
		Method: k.Calibration.Method, Correction: correctionText(k)})
}

// measured is x for JSON, which has no NaN.
func measured(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func shownComputer(c derive.Computer) computerShown {
	s := computerShown{Address: c.Address.String(), Name: c.Acronym, VIN: c.VIN}
	if c.Acronym != "" && c.Name != "" {
		s.Name += " "
	}
	s.Name += c.Name
	for _, k := range c.Calibrations {
		s.Calibrations = append(s.Calibrations, calibrationShown(k))
	}
	return s
}

func shownDiagnosis(d derive.Diagnosis) diagnosisShown {
	s := diagnosisShown{When: d.When, At: d.At.Seconds(), Problem: d.Problem}
	for _, c := range d.Computers {
		k := conditionShown{Address: c.Address.String(), Stored: told(c.Stored), Pending: told(c.Pending), Permanent: told(c.Permanent), Unreadable: c.Unreadable}
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
				k.Frozen = append(k.Frozen, frozenShown{Name: v.Name, Unit: v.Unit, Value: measured(v.Number), State: v.State, Text: v.Text})
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

func shownEvent(e store.Event) eventShown {
	s := eventShown{At: e.At.Seconds(), Kind: e.Kind, Source: e.Source, Text: e.Text}
	if e.Until != store.StillOpen && e.Until > e.At {
		until := e.Until.Seconds()
		s.Until = &until
	}
	return s
}

// clockTime is an instant on the session's clock, for people.
func clockTime(seconds float64) string {
	return time.Duration(seconds * float64(time.Second)).Round(100 * time.Millisecond).String()
}
