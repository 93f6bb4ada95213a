//go:build !linux

package store

// dropCache does nothing: there is no way to ask for it here.
func dropCache(string) {}
