package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"underdash/store"
	"underdash/store/summary"
)

// print writes a session for people.
func (s sessionShown) print(out io.Writer) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(w, "%s\t%s\n", name, value)
		}
	}
	line("session", s.ID+", "+s.State)
	line("began", s.began())
	line("length", fmt.Sprintf("%v, %d readings, %s", seconds(s.Length).Round(100*time.Millisecond), s.Readings, summary.SizeText(s.Bytes)))
	line("ended", s.Ended)
	line("vehicle", s.Vehicle)
	if s.VIN != s.Vehicle {
		line("VIN", s.VIN)
	}
	line("fuel", s.fuel())
	line("adapter", strings.Trim(s.Adapter+", "+s.Protocol, ", "))
	line("software", s.Software)
	line("damage", s.Damage)
	if err := w.Flush(); err != nil {
		return fmt.Errorf("print the session: %w", err)
	}
	s.printComputers(out)
	for _, d := range s.Diagnoses {
		printDiagnosis(d, out)
	}
	s.printInputs(out)
	if err := s.printChannels(out); err != nil {
		return fmt.Errorf("print the session: %w", err)
	}
	if err := printPolled(out, s.Polled); err != nil {
		return fmt.Errorf("print the session: %w", err)
	}
	s.printEvents(out)
	return nil
}

func (s sessionShown) began() string {
	text, guess := s.BeganText()
	switch bounds := s.Bounds(); {
	case s.Began == nil && bounds != "":
		return text + "; it " + bounds + " UTC"
	case s.Began == nil:
		return text
	case guess:
		return strings.TrimPrefix(text, "~") + " UTC, by the board's own clock, which was not known to be right"
	case s.Clock == store.ByClient:
		return text + " UTC, by the clock of somebody who asked the logger"
	}
	return text + " UTC"
}

func (s sessionShown) fuel() string {
	if s.FuelAFR > 0 {
		return fmt.Sprintf("%s, stoichiometric at %s", s.Fuel, short(s.FuelAFR))
	}
	return s.Fuel
}

func (s sessionShown) printComputers(out io.Writer) {
	if len(s.Computers) == 0 {
		return
	}
	fmt.Fprintln(out, "\nEngine computers")
	for _, c := range s.Computers {
		fmt.Fprintln(out, "  "+strings.TrimSpace(c.Address+" "+c.Name))
		if c.VIN != "" {
			fmt.Fprintln(out, "    VIN "+c.VIN)
		}
		for _, k := range c.Calibrations {
			text := k.ID
			if text == "" {
				text = "without a name"
			}
			if k.CVN != "" {
				text += ", verification number " + k.CVN
			}
			fmt.Fprintln(out, "    calibration "+text)
		}
	}
}

func printDiagnosis(d summary.Diagnosis, out io.Writer) {
	fmt.Fprintf(out, "\nTrouble codes and monitors at the drive's %s (%s)\n", d.When, clockTime(d.At))
	if d.Problem != "" {
		fmt.Fprintln(out, "  not read, or not to the end: "+d.Problem)
	}
	for _, c := range d.Computers {
		fmt.Fprintln(out, "  "+c.Address+": "+lamp(c)+"; "+strings.Join([]string{
			codes("stored", c.Stored), codes("pending", c.Pending), codes("permanent", c.Permanent)}, "; "))
		if len(c.Open) > 0 {
			fmt.Fprintln(out, "    monitors not complete: "+strings.Join(c.Open, ", "))
		}
		if len(c.Done) > 0 {
			fmt.Fprintln(out, "    monitors complete: "+strings.Join(c.Done, ", "))
		}
		if c.Frame != "" {
			fmt.Fprintf(out, "    freeze frame of %s: %s\n", c.Frame, strings.Join(frozenTexts(c.Frozen), ", "))
		}
		for _, text := range c.Unreadable {
			fmt.Fprintln(out, "    an answer that could not be read: "+text)
		}
	}
}

func lamp(c summary.Condition) string {
	switch {
	case c.Lamp == nil:
		return "lamp not told"
	case *c.Lamp:
		return "lamp on"
	}
	return "lamp off"
}

// codes is a list of codes in words; a nil one was not told.
func codes(kind string, list []string) string {
	switch {
	case list == nil:
		return kind + " not told"
	case len(list) == 0:
		return "none " + kind
	}
	return kind + " " + strings.Join(list, " ")
}

func frozenTexts(list []summary.FrozenValue) []string {
	var texts []string
	for _, v := range list {
		text := v.Name + " "
		switch {
		case v.Text != "":
			text += v.Text
		case v.Value == nil:
			text += v.State
		default:
			text += strings.TrimSuffix(short(*v.Value)+" "+v.Unit, " 1")
		}
		texts = append(texts, strings.TrimSpace(text))
	}
	return texts
}

func (s sessionShown) printInputs(out io.Writer) {
	if len(s.Inputs) > 0 {
		fmt.Fprintln(out, "\nInputs")
	}
	for _, i := range s.Inputs {
		fmt.Fprintf(out, "  %s (%s): %s\n", i.Name, i.Kind, i.Correction)
	}
}

func (s sessionShown) printChannels(out io.Writer) error {
	if len(s.Channels) == 0 {
		return nil
	}
	fmt.Fprintln(out, "\nChannels")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "channel\tunit\treadings\twithout value\ta second\tworst gap\tleast\tmean\tmost\t")
	for _, c := range s.Channels {
		fmt.Fprintf(w, "%s\t%s\t%d\t%s\t%.1f\t%s\t%s\t%s\t%s\t\n", c.Name, c.Unit, c.Readings, some(c.Missing), c.PerSecond,
			fmt.Sprintf("%.2f s", c.WorstGap), cell(c.Min), cell(c.Mean), cell(c.Max))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, c := range s.Channels {
		if c.Note != "" {
			fmt.Fprintf(out, "  %s: %s\n", c.Name, c.Note)
		}
	}
	return nil
}

func printPolled(out io.Writer, polled []summary.Polled) error {
	if len(polled) == 0 {
		return nil
	}
	fmt.Fprintln(out, "\nAsked of the car, times a second while the link was up")
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "parameter\tclass\twanted\tasked\tgot\tworst gap\tchannels\t")
	for _, p := range polled {
		wanted, gap := "most", ""
		if p.Wanted > 0 {
			wanted = fmt.Sprintf("%.1f", p.Wanted)
		}
		if p.WorstGap != nil {
			gap = fmt.Sprintf("%.2f s", *p.WorstGap)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%.1f\t%.1f\t%s\t%s\t\n", p.Parameter, p.Class, wanted, p.Asked, p.Got, gap, strings.Join(p.Channels, ", "))
	}
	return w.Flush()
}

func (s sessionShown) printEvents(out io.Writer) {
	if len(s.Gaps) == 0 {
		fmt.Fprintln(out, "\nNo gaps: all sources delivered throughout.")
	} else {
		fmt.Fprintln(out, "\nGaps")
	}
	for _, g := range s.Gaps {
		fmt.Fprintln(out, "  "+g.String())
	}
	if len(s.Events) > 0 {
		fmt.Fprintln(out, "\nEvents")
	}
	for _, e := range s.Events {
		fmt.Fprintf(out, "  %s %s: %s\n", clockTime(e.At), e.Kind, strings.TrimSpace(e.Source+" "+e.Text))
	}
}

func some(n int) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(n)
}

func cell(x *float64) string {
	if x == nil {
		return ""
	}
	return short(*x)
}

// short is a number with the digits that a person looks at.
func short(x float64) string {
	if math.Abs(x) >= 1000 {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return strconv.FormatFloat(x, 'g', 4, 64)
}
