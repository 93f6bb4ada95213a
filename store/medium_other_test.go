//go:build !linux

package store_test

import "testing"

// onMedium knows nothing here.
func onMedium(t *testing.T, f func(dir string)) (bytes float64, how string) {
	f(t.TempDir())
	return 0, "not known on this system"
}
