package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"time"
)

// Kept is the calibration with what goes into the store beside what was fitted: the residual of each level, seen less
// Gain·known + Offset, and the fuel, where it has none and one is named.
func (c Calibration) Kept(fuel Fuel) Calibration {
	c.Levels = slices.Clone(c.Levels)
	for i := range c.Levels {
		l := &c.Levels[i]
		l.Residual = l.Seen - (c.Gain*l.Known + c.Offset)
	}
	if c.Fuel == nil && fuel.Name != "" {
		c.Fuel = &fuel
	}
	return c
}

// Reference is a known level that a drive showed by itself: the warm-up level, λ = 1 in closed loop, the top of the output in
// a fuel cut, the car's own sensor.
type Reference struct {
	Input  string        `json:"input"`
	At     time.Duration `json:"at_ns"` // its end
	Length time.Duration `json:"length_ns"`
	Level
}

// Delay is how long a mixture takes from the cylinders to an input's reading, as a model of three parts, and how it was found.
type Delay struct {
	Input string        `json:"input"`
	At    time.Duration `json:"at_ns"`
	Cycle float64       `json:"cycle"`   // engine cycles' share: times 90 s over the engine speed in 1/min
	Gas   float64       `json:"gas_g"`   // grams of exhaust between the cylinders and the sensor at 1 g/s of it
	Lag   float64       `json:"lag_s"`   // the sensor's and the controller's own, seconds
	Sigma float64       `json:"sigma_s"` // standard uncertainty over the drive's operating points, seconds

	GasSigma float64 `json:"gas_sigma_g,omitempty"`
	LagSigma float64 `json:"lag_sigma_s,omitempty"`
	Seen     int     `json:"seen"`   // edges and stretches behind it; 0 for the stated default
	Method   string  `json:"method"` // "default" or "fitted"
}

// Applied is a calibration that somebody made current for a store: it re-corrects sessions by reference, and no session's
// file is touched by it.
type Applied struct {
	Calibration
	ID        string     `json:"id,omitempty"`       // given when it is applied: the same everywhere it is brought to
	Entered   *time.Time `json:"entered,omitempty"`  // when it was applied; nil where no clock could be believed
	Origin    string     `json:"origin,omitempty"`   // the store that recorded the sessions it is for; empty for whatever is in this store
	From      uint64     `json:"from_session"`       // number of the first session that it applies to
	Since     *time.Time `json:"since,omitempty"`    // the date that From stands for; nil if From was meant
	Withdrawn bool       `json:"withdrawn,omitzero"` // from that session on the sessions' own calibrations hold again
}

// For says whether a calibration is for the sessions that a store recorded.
func (a Applied) For(origin string) bool { return a.Origin == "" || a.Origin == origin }

// MethodApplied is the Method of a calibration of the store's list.
const MethodApplied = "applied"

// CalibrationsFile is the name of the store's list of calibrations in its directory.
const CalibrationsFile = "calibrations.json"

// calibrationsFormat is the version of that file.
const calibrationsFormat = 1

// calibrationsText is the file's content: the list as it was written, and its CRC-32C, since a card that loses its power may
// keep half of a file.
type calibrationsText struct {
	Format int             `json:"format"`
	Sum    string          `json:"crc32c"`
	List   json.RawMessage `json:"calibrations"`
}

// Calibrations reads a store's list of applied calibrations, in the order in which they were made; none is no error. The error
// wraps ErrDamaged or ErrVersion for a file that cannot be believed.
func Calibrations(dir string) ([]Applied, error) {
	text, err := os.ReadFile(filepath.Join(dir, CalibrationsFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the store's calibrations: %w", err)
	}
	path := filepath.Join(dir, CalibrationsFile)
	list, err := decodeCalibrations(text)
	switch {
	case errors.Is(err, ErrVersion):
		return nil, fmt.Errorf("read the store's calibrations, %s: %w", path, err)
	case err != nil:
		return nil, &damagedList{path, err}
	}
	return list, nil
}

// damagedList is ErrDamaged, whose own words are about a session.
type damagedList struct {
	path string
	why  error
}

func (e *damagedList) Error() string {
	return fmt.Sprintf("the store's list of calibrations, %s, is damaged (%v): move that file away, and apply again what it held", e.path, e.why)
}

// Is makes it ErrDamaged.
func (e *damagedList) Is(target error) bool { return target == ErrDamaged }

// decodeCalibrations returns ErrVersion, or what is wrong with the text.
func decodeCalibrations(text []byte) ([]Applied, error) {
	var c calibrationsText
	if err := json.Unmarshal(text, &c); err != nil {
		return nil, err
	}
	if c.Format > calibrationsFormat {
		return nil, fmt.Errorf("%w: format %d, this program reads up to %d", ErrVersion, c.Format, calibrationsFormat)
	}
	if c.Format < 1 || c.Sum != sumText(c.List) {
		return nil, errors.New("it does not match its checksum")
	}
	var list []Applied
	if err := json.Unmarshal(c.List, &list); err != nil {
		return nil, err
	}
	return list, nil
}

func sumText(text []byte) string {
	return fmt.Sprintf("%08x", crc32.Checksum(text, castagnoli))
}

// ApplyCalibration adds a calibration to a store's list, gives it an ID and says when. The file is replaced as a whole: a power cut leaves the list with it
// or without it. It needs no Open, so that it can be done while a session is being recorded; of two processes that do it at
// the same time one gets ErrLocked.
func ApplyCalibration(dir string, a Applied, now time.Time) error {
	const doing = "apply a calibration"
	if a.Input == "" {
		return errors.New(doing + ": it names no input")
	}
	a.Method = MethodApplied
	a.Calibration = a.Kept(Fuel{})
	a.ID, a.Entered = random(originLength), nil
	if now = now.UTC().Truncate(time.Second); Plausible(now) {
		a.Entered = &now
	}
	return changeCalibrations(dir, doing, func(list []Applied) []Applied { return append(list, a) })
}

// Plausible says whether a clock that tells this time may be right: a board without a battery starts long before this program was
// written.
func Plausible(now time.Time) bool { return now.Year() >= 2026 }

// MergeCalibrations takes over what is new in another store's list, and says how much. Those that were applied there stay in
// their order; among those that were applied here each takes its place by when it was applied, at the end where that is not
// known. Each must say whose sessions it is for.
func MergeCalibrations(dir string, others []Applied) (added int, err error) {
	const doing = "take calibrations over"
	for _, a := range others {
		if a.Input == "" || !originPattern.MatchString(a.Origin) || !originPattern.MatchString(a.ID) {
			return 0, fmt.Errorf("%s: one of input %q is for the sessions of %q and called %q, which are no names", doing, a.Input, a.Origin, a.ID)
		}
	}
	list, err := Calibrations(dir)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", doing, err)
	}
	if len(merged(list, others)) == len(list) {
		return 0, nil
	}
	err = changeCalibrations(dir, doing, func(list []Applied) []Applied {
		all := merged(list, others)
		added = len(all) - len(list)
		return all
	})
	return added, err
}

// merged is a list with what is new in another one.
func merged(list, others []Applied) []Applied {
	list = slices.Clone(list)
	next := 0 // behind the one that was applied before, there
	for _, a := range others {
		if i := slices.IndexFunc(list, func(b Applied) bool { return b.ID == a.ID }); i >= 0 {
			next = max(next, i+1)
			continue
		}
		for next < len(list) && !a.before(list[next]) {
			next++
		}
		list = slices.Insert(list, next, a)
		next++
	}
	return list
}

// before says whether a was applied before b, as far as is known.
func (a Applied) before(b Applied) bool {
	return a.Entered != nil && b.Entered != nil && a.Entered.Before(*b.Entered)
}

func changeCalibrations(dir, doing string, change func([]Applied) []Applied) error {
	lock, err := openOrMake(filepath.Join(dir, CalibrationsFile+".lock"), os.O_RDWR, 0o644)
	if err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	defer func() { _ = lock.Close() }()
	if err := lockFile(lock); err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	list, err := Calibrations(dir)
	if err != nil {
		return fmt.Errorf("%s: %w", doing, err)
	}
	text, err := encodeCalibrations(change(list))
	if err == nil {
		err = replaceFile(filepath.Join(dir, CalibrationsFile), text)
	}
	if err == nil {
		err = syncDir(dir)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", doing, room(err))
	}
	return nil
}

func encodeCalibrations(list []Applied) ([]byte, error) {
	text, err := json.Marshal(list)
	if err != nil {
		return nil, err
	}
	text, err = json.Marshal(calibrationsText{Format: calibrationsFormat, Sum: sumText(text), List: text})
	return append(text, '\n'), err
}

// InForce is the applied calibration by which an input is read in the session of that number that a store recorded, through a divider
// of so many volts at the plug per volt at the converter: of those that begin at or before it and were made through that divider, the
// one made last. Not ok if there is none, or if the last one withdraws the others.
func InForce(list []Applied, input, origin string, session uint64, plugPerPin float64) (found Applied, ok bool) {
	for _, a := range list {
		if a.Input == input && a.For(origin) && a.From <= session && a.Through(plugPerPin) {
			found, ok = a, !a.Withdrawn
		}
	}
	if !ok {
		return Applied{}, false
	}
	return found, true
}

// OfNoUse is the applied calibration that InForce would return were it not measured through another divider; not ok if there is
// none.
func OfNoUse(list []Applied, input, origin string, session uint64, plugPerPin float64) (other Applied, ok bool) {
	other, ok = InForce(list, input, origin, session, 0)
	return other, ok && !other.Through(plugPerPin)
}

// FirstSince is the number of the first session that began at t or later, as far as Date knows; sessions come oldest
// first, as List gives them, all of one store; anchors are those of the store. If there is none it is one more than the last, the next to be recorded. A session without a wall
// clock counts with its neighbours.
func FirstSince(sessions []Info, anchors []BootAnchor, t time.Time) uint64 {
	first := uint64(1)
	dates := Date(sessions, anchors)
	for i, s := range sessions {
		began := dates[i].Began
		ok := !began.IsZero()
		if ok && !began.Before(t) {
			break
		}
		if ok {
			first = s.Number + 1
		}
	}
	return first
}
