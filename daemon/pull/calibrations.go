package pull

import (
	"context"
	"fmt"

	"underdash/store"
)

// calibrationList is the daemon's.
type calibrationList struct {
	Applied []store.Applied `json:"applied"`
}

// end brings the calibrations that were applied on the logger, so that its sessions are read here as they are there.
func (d *sessions) end(ctx context.Context, list sessionList) error {
	origin, err := d.origin(list)
	if err != nil || origin == "" {
		return err
	}
	var told calibrationList
	err = d.p.persist(ctx, func(ctx context.Context) error {
		told = calibrationList{}
		return d.p.client.json(ctx, "GET", "/calibration/applied", nil, &told)
	})
	if err != nil {
		return fmt.Errorf("bring the applied calibrations: %w", err)
	}
	var all []store.Applied
	for _, a := range told.Applied {
		if a.Origin == "" { // made before the logger's first drive
			a.Origin = origin
		}
		if a.Origin == origin {
			all = append(all, a)
		}
	}
	n, err := store.MergeCalibrations(d.p.o.To, all)
	if err != nil {
		return fmt.Errorf("bring the applied calibrations: %w", err)
	}
	if n > 0 {
		d.p.o.Told(fmt.Sprintf("calibrations that were applied on the logger and are new here: %d; its drives are read by them", n))
	}
	return nil
}

// origin is the name of the store that recorded the newest of the listed sessions that is here; empty if none is.
func (d *sessions) origin(list sessionList) (string, error) {
	for i := len(list.Sessions) - 1; i >= 0; i-- {
		id := d.there[list.Sessions[i].SHA256]
		if id == "" {
			continue
		}
		path, err := store.Find(d.p.o.To, id)
		if err != nil {
			return "", err
		}
		r, err := store.OpenReader(path)
		if err != nil {
			return "", err
		}
		return r.Meta().Origin, r.Close()
	}
	return "", nil
}
