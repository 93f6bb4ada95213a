//go:build !linux && !windows

package pid

import "underdash/obd"

// elmobdNumber is never known here; the table's own decoders serve all parameters.
func elmobdNumber(obd.PID, uint32) (float64, bool) { return 0, false }
