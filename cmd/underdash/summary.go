package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"text/tabwriter"
	"time"

	"underdash/daemon/rig"
	"underdash/daemon/rig/compare"
	"underdash/store"
	"underdash/store/derive"
	"underdash/store/summary"
)

// steadyError is how far the mixture may be from the truth in a steady state, in λ.
const steadyError = 0.01

// summarise prints what a session holds and how it compares with the virtual car's truth, and reports whether it
// agrees.
func summarise(out io.Writer, path string, truth *rig.Truth) (agrees bool, err error) {
	r, err := store.OpenReader(path)
	if err != nil {
		return false, err
	}
	defer r.Close()
	report, err := compare.Session(r, truth)
	if err != nil {
		return false, fmt.Errorf("compare %s with the truth: %w", filepath.Base(path), err)
	}
	session, err := derive.New(r)
	if err != nil {
		return false, err
	}
	info := summary.RowOf(r.Info(), r.Meta().Began())
	fmt.Fprintf(out, "\nSession %s: %v, %d readings, %s\n\n", info.ID, seconds(info.Length).Round(100*time.Millisecond), info.Readings, summary.SizeText(info.Bytes))
	err = errors.Join(printChannels(out, report), printGaps(out, info), printMixture(out, session, report))
	if err != nil {
		return false, err
	}
	o := report.OBD
	fmt.Fprintf(out, "\n%d answers to %d parameters: %d differ from what the engine computers sent, %d outside their stated time bound\n"+
		"(bounds %.1f ms on average, true error %.1f ms RMS).\n",
		o.Readings, o.Channels, o.Differ, o.Late, o.Bound.Seconds()*1e3, o.RMSError.Seconds()*1e3)
	agrees = o.Differ == 0 && report.EarlyLambda == 0
	for _, s := range report.States {
		agrees = agrees && s.Error < steadyError && s.Error > -steadyError && s.Readings > 0
	}
	return agrees, nil
}

func printChannels(out io.Writer, r compare.Report) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "channel\tunit\treadings\ta second\tworst gap\tmean\t")
	for _, c := range r.Channels {
		if c.Readings == 0 {
			continue
		}
		mean := ""
		if !math.IsNaN(c.Mean) {
			mean = fmt.Sprintf("%.2f", c.Mean)
		}
		fmt.Fprintf(w, "%s\t%s\t%d\t%.1f\t%.2f s\t%s\t\n", c.Name, c.Unit, c.Readings, c.Rate, c.WorstGap.Seconds(), mean)
	}
	return w.Flush()
}

func printGaps(out io.Writer, info summary.Row) error {
	if len(info.Gaps) == 0 {
		_, err := fmt.Fprintln(out, "\nNo gaps: both sources delivered throughout.")
		return err
	}
	fmt.Fprintln(out, "\nGaps:")
	for _, g := range info.Gaps {
		fmt.Fprintln(out, "  "+g.String())
	}
	return nil
}

func printMixture(out io.Writer, session *derive.Session, r compare.Report) error {
	fmt.Fprintln(out)
	for _, c := range session.Channels() {
		if c.Kind != derive.Lambda {
			continue
		}
		if correction, ok := session.Correction(c.Source); ok {
			fmt.Fprintf(out, "Mixture, %s\n", summary.CorrectionText(correction))
		}
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "driving state\tsteady\treadings\tλ logged\tλ true\tdifference\t95 % within\t")
	for _, s := range r.States {
		fmt.Fprintf(w, "%s\t%.1f s\t%d\t%.4f\t%.4f\t%+.4f\t±%.4f\t\n", s.Name, s.Length.Seconds(), s.Readings, s.Lambda, s.True, s.Error, s.P95)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(out, "%d readings while the controller heated were marked and have no λ.\n", r.Warming)
	return err
}
