//go:build !linux

package rig

import (
	"context"
	"errors"
)

// Start needs the pseudo terminals of Linux; elsewhere it returns an error.
func (c *Car) Start(context.Context, string) (*Running, error) {
	return nil, errors.New("the virtual car needs Linux, because its adapter sits behind a Linux pseudo terminal")
}
