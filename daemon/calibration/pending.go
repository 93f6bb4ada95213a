package calibration

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"

	"underdash/analog/mixture"
	"underdash/daemon/config"
	"underdash/store"
)

// PendingFile is the name, in the store's directory, of the levels that were measured and not applied yet.
const PendingFile = "known-levels.json"

// pendingText is the file's content.
type pendingText struct {
	Format int       `json:"format"`
	Levels []Pending `json:"levels"`
}

const pendingFormat = 1

// ReadPending reads the levels that wait in a store's directory, in the order in which they were measured; none is no error.
func ReadPending(dir string) ([]Pending, error) {
	path := filepath.Join(dir, PendingFile)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the measured levels: %w", err)
	}
	return decodePending(path, text)
}

func decodePending(path string, text []byte) ([]Pending, error) {
	var p pendingText
	switch err := json.Unmarshal(text, &p); {
	case err != nil:
		return nil, fmt.Errorf("the measured levels in %s cannot be read (%w): forget them with --clear and measure again", path, err)
	case p.Format != pendingFormat:
		return nil, fmt.Errorf("the measured levels in %s are of format %d, this program reads %d: forget them with --clear and measure again", path, p.Format, pendingFormat)
	}
	return p.Levels, nil
}

// AddPending keeps a level, in the place of an earlier one of the same input, kind and value.
func AddPending(dir string, level Pending) ([]Pending, error) {
	all, err := ReadPending(dir)
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(p Pending) bool {
		return p.Input == level.Input && p.Kind == level.Kind && p.Known == level.Known
	})
	all = append(all, level)
	return all, writePending(dir, all)
}

// ClearPending forgets the levels of an input, and returns how many there were.
func ClearPending(dir, input string) (int, error) {
	all, err := ReadPending(dir)
	if err != nil { // what cannot be read is what is to be forgotten
		return 0, os.Remove(filepath.Join(dir, PendingFile))
	}
	kept := slices.DeleteFunc(slices.Clone(all), func(p Pending) bool { return p.Input == input })
	if len(kept) == len(all) {
		return 0, nil
	}
	return len(all) - len(kept), writePending(dir, kept)
}

// Of are the levels of one input.
func Of(all []Pending, input string) (levels []Pending) {
	for _, p := range all {
		if p.Input == input {
			levels = append(levels, p)
		}
	}
	return levels
}

// Keep makes a level of what was seen while it was held, as Take does, and keeps it among those that wait.
func Keep(dir string, level mixture.Level, s Seen, input config.Analog, now time.Time) (store.Level, error) {
	level, err := Take(level, s, input.Name)
	if err != nil {
		return store.Level{}, err
	}
	kept := Stored(level, s.Noise)
	_, err = AddPending(dir, Pending{Input: input.Name, Made: now.UTC().Truncate(time.Second), PlugPerPin: input.PlugPerPin(), Level: kept})
	return kept, err
}

// Waiting judges an input by the levels that wait, as far as they were seen through the divider that is configured now. afr is as in
// Judge.
func Waiting(dir string, a config.Analog, afr float64) (Finding, error) {
	all, err := ReadPending(dir)
	if err != nil {
		return Finding{}, err
	}
	var levels []store.Level
	others := 0
	for _, p := range Of(all, a.Name) {
		if !store.SameDivider(p.PlugPerPin, a.PlugPerPin()) {
			others++
			continue
		}
		levels = append(levels, p.Level)
	}
	f := Judge(a, levels, afr)
	if f.Others = others; others > 0 {
		f.Text += fmt.Sprintf(" Of the levels that wait %d were measured through another divider than is configured now, and do not count: measure them again, or forget all with --clear.", others)
	}
	return f, nil
}

// writePending replaces the file in one step.
func writePending(dir string, all []Pending) error {
	text, err := json.MarshalIndent(pendingText{pendingFormat, all}, "", "  ")
	if err != nil {
		return fmt.Errorf("keep the measured levels: %w", err)
	}
	f, err := os.CreateTemp(dir, "."+PendingFile+".*")
	if err != nil {
		return fmt.Errorf("keep the measured levels: %w", err)
	}
	_, err = f.Write(append(text, '\n'))
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), filepath.Join(dir, PendingFile))
	}
	if err != nil {
		return errors.Join(fmt.Errorf("keep the measured levels: %w", err), os.Remove(f.Name()))
	}
	return nil
}
