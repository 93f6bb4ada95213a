//go:build !unix

package storetest

import "time"

var began = time.Now()

// CPU is the time that has passed: how much processor time this process has taken is not told here.
func CPU() time.Duration { return time.Since(began) }
