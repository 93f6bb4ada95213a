//go:build !linux

package iio

import (
	"context"

	"underdash/analog"
)

// Buffer is one open channel that is read through the converter's buffer; on Linux only.
type Buffer struct{ Attributes }

// OpenBuffer needs Linux; elsewhere it fails with ErrNoBuffer.
func OpenBuffer(device, channel string, _ Options) (*Buffer, error) {
	a := Attributes{device: device, channel: channel}
	return nil, a.fail(ErrNoBuffer, "a converter's buffer can be read on Linux only")
}

// Run fails.
func (b *Buffer) Run(context.Context, func(analog.Reading)) error { return ErrNoBuffer }

// Read fails.
func (b *Buffer) Read() (int32, error) { return 0, ErrNoBuffer }

// Close does nothing.
func (b *Buffer) Close() error { return nil }
