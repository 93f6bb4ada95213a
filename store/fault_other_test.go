//go:build !linux

package store_test

func recordUnderFaults(string) {}
