package pull

import (
	"cmp"
	"context"
	"fmt"

	"underdash/store"
)

// calibrationList is the daemon's.
type calibrationList struct {
	Origin  string          `json:"origin"`
	Applied []store.Applied `json:"applied"`
}

// end brings the calibrations that were applied on the logger, so that its sessions are read here as they are there.
func (d *sessions) end(ctx context.Context, list sessionList) error {
	origins, err := d.origins(list)
	if err != nil || len(origins) == 0 {
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
		a.Origin = cmp.Or(a.Origin, told.Origin) // one may have been made before the logger's first drive
		if origins[a.Origin] {
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

// origins are the names of the stores that recorded those of the listed sessions that are here.
func (d *sessions) origins(list sessionList) (map[string]bool, error) {
	here, err := d.store.List()
	if err != nil {
		return nil, err
	}
	of := make(map[string]string, len(here))
	for _, i := range here {
		of[i.ID] = i.Meta.Origin
	}
	origins := make(map[string]bool)
	for _, row := range list.Sessions {
		if origin := of[d.there[row.SHA256]]; origin != "" {
			origins[origin] = true
		}
	}
	return origins, nil
}
