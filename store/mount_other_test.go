//go:build !linux

package store_test

import "errors"

func mountSmall(string, int) error { return errors.ErrUnsupported }
func unmount(string) error         { return errors.ErrUnsupported }
