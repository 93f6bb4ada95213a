package summary

import (
	"fmt"
	"slices"
	"strings"

	"underdash/store"
	"underdash/store/derive"
)

// Finding is a sentence that whoever drives or tunes the car should know.
type Finding struct {
	Source string `json:"source"` // the input's or the source's name, or empty
	Text   string `json:"text"`
	Worry  bool   `json:"worry"`            // something is to be looked at
	Unsure bool   `json:"unsure,omitempty"` // it says that little is known, so that readings may be well off
}

// worthTelling is the shortest gap, in seconds, that is a finding.
const worthTelling = 5

// findings are what stands out: damage, gaps that are long, notes on the wiring, stored trouble codes.
func (d *Drive) findings(m store.Meta) (all []Finding) {
	if d.Damage != "" {
		all = append(all, Finding{Text: d.Damage, Worry: true})
	}
	for _, g := range d.Gaps {
		if g.Until == nil || *g.Until-g.From >= worthTelling {
			all = append(all, Finding{Source: g.Source, Text: g.String(), Worry: true})
		}
	}
	for _, e := range m.Events {
		if e.Kind == "note" && d.isInput(e.Source) {
			all = append(all, Finding{Source: e.Source, Text: e.Text, Worry: true})
		}
	}
	for _, i := range d.Inputs {
		all = append(all, Finding{Source: i.Name, Text: i.Correction, Unsure: i.Kind == wideband && uncorrected(i.Method)})
	}
	if codes := d.storedCodes(); len(codes) > 0 {
		all = append(all, Finding{Text: "trouble codes are stored: " + strings.Join(codes, ", "), Worry: true})
	} else if d.toldCodes() {
		all = append(all, Finding{Text: "no trouble code is stored"})
	}
	return all
}

// Worries are the findings of a session that are to be looked at, as far as its description tells them without its readings;
// gaps are told by a Row.
func Worries(m store.Meta) (all []string) {
	var d Drive
	for _, k := range derive.Diagnoses(m) {
		d.Diagnoses = append(d.Diagnoses, shownDiagnosis(k))
	}
	for _, c := range m.Channels {
		if c.Analog != nil {
			d.Inputs = append(d.Inputs, Input{Name: c.Name})
		}
	}
	for _, f := range d.findings(m) {
		if f.Worry {
			all = append(all, f.Text)
		}
	}
	return all
}

// uncorrected tells of a calibration's method whether nothing is known of the wiring.
func uncorrected(method string) bool { return method == "" || method == "none" }

func (d *Drive) isInput(name string) bool {
	return slices.ContainsFunc(d.Inputs, func(i Input) bool { return i.Name == name })
}

// storedCodes are those of all engine computers at any time of the drive, each once.
func (d *Drive) storedCodes() (codes []string) {
	for _, k := range d.Diagnoses {
		for _, c := range k.Computers {
			for _, code := range c.Stored {
				if named := fmt.Sprintf("%s (%s)", code, c.Address); !slices.Contains(codes, named) {
					codes = append(codes, named)
				}
			}
		}
	}
	return codes
}

// toldCodes reports whether any engine computer was heard to tell its stored codes, be it that there are none.
func (d *Drive) toldCodes() bool {
	for _, k := range d.Diagnoses {
		if slices.ContainsFunc(k.Computers, func(c Condition) bool { return c.Stored != nil }) {
			return true
		}
	}
	return false
}
