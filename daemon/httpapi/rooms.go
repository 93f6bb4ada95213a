package httpapi

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"underdash/daemon/calibration"
	"underdash/daemon/page"
	"underdash/store"
	"underdash/store/derive"
	"underdash/store/export"
	"underdash/store/summary"
)

// lastDrives is how many drives are looked at for what they show of the wiring by themselves.
const lastDrives = 20

// Rooms are what the page shows, for page.New.
func (s *Server) Rooms() page.Options {
	return page.Options{
		Drives: func(context.Context) (page.Listing, error) {
			l, err := s.Sessions()
			return page.Listing{Rows: l.Sessions, Recording: l.Recording, Fault: l.Fault}, err
		},
		Outline: func(_ context.Context, id string) (page.Outline, error) {
			o, err := s.outline(id)
			return o, missing(err)
		},
		Drive: func(ctx context.Context, id string) (summary.Drive, error) {
			d, err := s.Drive(ctx, id)
			return d, missing(err)
		},
		Inputs: func(context.Context) ([]page.Input, error) { return s.inputs() },
		Check: func(ctx context.Context, input string) (calibration.Check, error) {
			for _, a := range s.Wideband() {
				if a.Name == input {
					return s.check(ctx, a, lastDrives, defaultAFR)
				}
			}
			return calibration.Check{}, fmt.Errorf("there is no wideband input %q: %w", input, fs.ErrNotExist)
		},
		Formats: export.Formats(),
		Log:     s.o.Log,
		Now:     s.o.Now,
	}
}

// missing says of a session that there is none in the page's way.
func missing(err error) error {
	if errors.Is(err, store.ErrNotFound) {
		return fmt.Errorf("%w: %w", err, fs.ErrNotExist)
	}
	return err
}

// outline is what a session has, as far as that can be told without its readings.
func (s *Server) outline(name string) (page.Outline, error) {
	reader, err := s.open(name)
	if err != nil {
		return page.Outline{}, err
	}
	defer func() { _ = reader.Close() }()
	info, m := reader.Info(), reader.Meta()
	session, err := derive.NewWith(derive.Snapshot{Description: m}, derive.Options{Aligned: true})
	if err != nil {
		return page.Outline{}, fmt.Errorf("read session %s: %w", info.ID, err)
	}
	o := page.Outline{Row: summary.RowOf(info, store.Dating{}), Events: summary.Events(m)}
	listed, date, ok, err := s.listed(info.ID)
	if err != nil {
		return page.Outline{}, err
	}
	if ok {
		o.Row = summary.RowOf(listed, date)
		applied, _ := store.Calibrations(s.o.Store.Dir()) // a listing tells what is wrong with them
		o.Row.Read = summary.ReadBy(m, applied)
	}
	now := s.o.Store.Recording()
	o.Recording = now != nil && now.ID() == info.ID
	for _, c := range session.Channels() {
		o.Channels = append(o.Channels, page.Channel{Name: c.Name, Description: c.Description, Unit: c.Unit, Source: c.Source})
	}
	return o, nil
}

// inputs are the wideband inputs, for the page.
func (s *Server) inputs() ([]page.Input, error) {
	applied, err := store.Calibrations(s.o.Store.Dir())
	if err != nil {
		return nil, err
	}
	var all []page.Input
	for _, a := range s.Wideband() {
		in := page.Input{Name: a.Name, Low: page.Point{Volts: a.Low.Volts, Lambda: a.Low.Value}, High: page.Point{Volts: a.High.Volts, Lambda: a.High.Value},
			Warmup: a.Warmup, Top: a.Levels().Top(), Configured: a.Correction != nil}
		if in.Finding, err = calibration.Waiting(s.o.Store.Dir(), a, defaultAFR); err != nil {
			return nil, err
		}
		now, err := calibration.InForce(s.own(), a)
		if err != nil {
			return nil, err
		}
		if now != nil {
			in.InForce = calibrationWords(now.Calibration)
		}
		for _, x := range applied {
			if x.Input == a.Name {
				in.Applied = append(in.Applied, appliedWords(x))
			}
		}
		all = append(all, in)
	}
	return all, nil
}

// calibrationWords are a calibration for people.
func calibrationWords(c store.Calibration) string {
	if c.AssumedOffset {
		return fmt.Sprintf("gain %.4f ± %.4f, assuming that there is no offset", c.Gain, 2*c.GainSigma)
	}
	return fmt.Sprintf("gain %.4f ± %.4f, offset %+.0f mV ± %.0f mV", c.Gain, 2*c.GainSigma, 1000*c.Offset, 2000*c.OffsetSigma)
}

// appliedWords are what was done to an input's calibration, for people.
func appliedWords(a store.Applied) string {
	from := fmt.Sprintf("from drive %d on", a.From)
	if a.Since != nil {
		from += ", the first since " + a.Since.UTC().Format("2 January 2006, 15:04") + " UTC"
	}
	if a.Withdrawn {
		return "Withdrawn " + from + "."
	}
	text := "Applied " + from + ": " + calibrationWords(a.Calibration)
	if a.Made != nil {
		text += ", made " + a.Made.UTC().Format("2 January 2006")
	}
	return text + "."
}
