package calibration

import (
	"errors"
	"fmt"
	"slices"

	"underdash/store"
)

// Drives are the sessions of a store's directory that one logger recorded: numbers order those, and a calibration is for them only.
type Drives struct {
	Dir    string
	Origin string // the logger's store; empty for all that is in the directory
}

// ErrWhose says that a store has drives of several loggers, and nothing says whose are meant.
var ErrWhose = errors.New("the store has drives of several loggers")

// Whose are the drives that calibrations of a store are for: those that it records itself, and of one that records none those of the
// logger they come from. drive names a session of the logger that is meant; without it the error may wrap ErrWhose.
func Whose(dir, drive string) (Drives, error) {
	d := Drives{Dir: dir}
	if drive != "" {
		path, err := store.Find(dir, drive)
		if err != nil {
			return d, err
		}
		r, err := store.OpenReader(path)
		if err != nil {
			return d, err
		}
		d.Origin = r.Meta().Origin
		return d, r.Close()
	}
	if d.Origin = store.Origin(dir); d.Origin != "" {
		return d, nil
	}
	sessions, err := store.List(dir)
	if err != nil {
		return d, err
	}
	var one string
	for _, s := range sessions {
		switch origin := s.Meta.Origin; {
		case origin == "": // nothing can be read of it
		case d.Origin == "":
			d.Origin, one = origin, s.ID
		case origin != d.Origin:
			return d, fmt.Errorf("%w: say whose are meant by the name of one of them, such as %s or %s", ErrWhose, one, s.ID)
		}
	}
	return d, nil
}

// list are the sessions, oldest first. One that is being recorded is the store's own, and says nothing but its number.
func (d Drives) list() ([]store.Info, error) {
	sessions, err := store.List(d.Dir)
	if err != nil || d.Origin == "" {
		return sessions, err
	}
	return slices.DeleteFunc(sessions, func(s store.Info) bool { return s.Meta.Origin != d.Origin && s.State != store.Recording }), nil
}
