//go:build !linux

package timebase

import "time"

func synchronised() (bool, time.Duration) { return false, 0 }

func sinceBoot() (time.Duration, bool) { return 0, false }

func suspended() time.Duration { return 0 }
