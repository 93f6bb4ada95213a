package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"underdash/daemon/calibration"
	"underdash/store"
)

// print writes what was found for a person in the driveway.
func (c calibrated) print(out io.Writer) error {
	if c.Check != nil {
		return c.printCheck(out)
	}
	if c.Forgotten > 0 {
		plural := "s"
		if c.Forgotten == 1 {
			plural = ""
		}
		fmt.Fprintf(out, "Forgot %d measured level%s of %s.\n\n", c.Forgotten, plural, c.Input)
	}
	if s := c.Seen; s != nil {
		fmt.Fprintf(out, "%s: %.3f V ± %.4f V at the plug (noise %.4f V; %.3f to %.3f V in %d readings over %v)\n", c.Input, s.Volts, 2*s.Sigma, s.Noise, s.Low, s.High, s.Readings, s.Length)
		if c.level != nil {
			fmt.Fprintf(out, "Kept: %s.\n", calibration.LevelText(*c.level))
		}
		if c.Remark != "" {
			fmt.Fprintln(out, c.Remark)
		}
		fmt.Fprintln(out)
	}
	if c.Finding != nil && len(c.Finding.Levels) > 0 {
		if err := printFinding(out, *c.Finding, c.afr); err != nil {
			return err
		}
	}
	if a := c.Applied; a != nil {
		fmt.Fprintln(out, appliedText(*a))
	} else if c.InForce != nil {
		fmt.Fprintf(out, "In force for the next drive: %s\n", calibrationText(c.InForce.Calibration))
	}
	if c.Next != "" {
		fmt.Fprintln(out, c.Next)
	}
	return nil
}

func printFinding(out io.Writer, f calibration.Finding, afr float64) error {
	fmt.Fprintln(out, "Known levels:")
	for _, l := range f.Levels {
		rest := ""
		if len(f.Levels) > 1 {
			rest = fmt.Sprintf("; %s from what is fitted to all", millivolts(l.Residual))
		}
		fmt.Fprintf(out, "  %s (%s%s)\n", calibration.LevelText(l), millivolts(l.Seen-l.Known), rest)
	}
	fmt.Fprintf(out, "\n%s\n\n", wrapped(f.Text))
	if len(f.Effects) == 0 {
		return nil
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "mixture\tuncorrected it reads\toff by\tlet be\tleft after correction\t")
	for _, e := range f.Effects {
		fmt.Fprintf(w, "λ %.2f\tλ %.4f\t%+.4f\t%.4f\t±%.4f\t\n", e.Lambda, e.Reads, e.Error, e.LetBe, 2*e.Sigma)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\n%s\n", wrapped(f.WorthText))
	var ends []string
	for _, e := range f.Ends {
		ends = append(ends, fmt.Sprintf("%.4g V is λ %.4f (AFR %.2f)", e.Volts, e.Lambda, e.AFR))
	}
	fmt.Fprintf(out, "\n%s\n\n", wrapped(fmt.Sprintf("Scale ends to type into another display on the same wire: %s, with AFR on a scale of %.4g. Here nothing is to be typed in: --apply corrects.", strings.Join(ends, " and "), afr)))
	return nil
}

// millivolts writes volts as millivolts with a sign, unless they are none.
func millivolts(volts float64) string {
	if text := fmt.Sprintf("%+.0f mV", 1000*volts); text != "-0 mV" && text != "+0 mV" {
		return text
	}
	return "0 mV"
}

func (c calibrated) printCheck(out io.Writer) error {
	k := *c.Check
	fmt.Fprintf(out, "%s: %d of the last %d drives showed known levels by themselves.\n\n%s\n", c.Input, k.Showing, k.Sessions, wrapped(k.Summary))
	if len(k.Drifts) == 0 {
		return nil
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "LEVEL\tDRIVES\tDRIFT A MONTH\t")
	for _, d := range k.Drifts {
		drift := "too few drives to tell"
		if d.Sessions >= 3 {
			drift = fmt.Sprintf("%+.1f mV ± %.1f mV", 1000*d.PerMonth, 2000*d.Sigma)
		}
		fmt.Fprintf(w, "%s\t%d\t%s\t\n", d.Kind, d.Sessions, drift)
	}
	return w.Flush()
}

// appliedText says what was done to a store's calibrations.
func appliedText(a store.Applied) string {
	from := fmt.Sprintf("from session %d on, the next", a.From)
	if a.Since != nil {
		from = fmt.Sprintf("from session %d on, the first since %s", a.From, a.Since.Local().Format("2006-01-02 15:04"))
	}
	if a.Withdrawn {
		return fmt.Sprintf("Withdrawn %s: the sessions' own calibrations hold again.", from)
	}
	return fmt.Sprintf("Applied %s: %s\nReadings stay as they were recorded; exports and listings use it from now on.", from, calibrationText(a.Calibration))
}

func calibrationText(c store.Calibration) string {
	text := fmt.Sprintf("gain %.4f ± %.4f, offset %+.0f mV ± %.0f mV", c.Gain, 2*c.GainSigma, 1000*c.Offset, 2000*c.OffsetSigma)
	if c.AssumedOffset {
		text = fmt.Sprintf("gain %.4f ± %.4f, assuming that there is no offset", c.Gain, 2*c.GainSigma)
	}
	if c.Made != nil {
		text += ", made " + c.Made.Local().Format("2006-01-02 15:04")
	}
	return text
}

// wrapped breaks a text into lines that a terminal shows whole, and leaves numbers with their units.
func wrapped(text string) string {
	const width = 110
	words := strings.Fields(text)
	for i := len(words) - 1; i > 0; i-- {
		switch strings.Trim(words[i], ".,:;()") {
		case "V", "mV", "λ", "%":
			words[i-1] += " " + words[i]
			words = append(words[:i], words[i+1:]...)
		}
	}
	var b strings.Builder
	n := 0
	for _, word := range words {
		length := len([]rune(word))
		if n > 0 && n+1+length > width {
			b.WriteByte('\n')
			n = 0
		} else if n > 0 {
			b.WriteByte(' ')
			n++
		}
		b.WriteString(word)
		n += length
	}
	return b.String()
}
