// Package store keeps drives: a directory with one bbolt file a session. It stores what was read, integer codes
// with their instants, and the description that is needed to make sense of them; it derives nothing.
//
// A session file has two buckets: "meta" holds the session's description as JSON with its checksum, "blocks" holds
// the readings, one checksummed block (package block) under each sequence number, 8 bytes big-endian, from 0 on
// without a hole.
//
// One process writes a directory at a time (Open); any number may list it and read its finished sessions.
package store

import "underdash/store/block"

// Sample is one recorded reading: At since the session's clock started (negative for readings kept from before),
// Half the half width of the span At may be wrong by, Channel an index into Meta.Channels, Code the raw ADC code or
// an OBD payload's bytes as one big-endian number, Flags. Instants and half widths are stored to Meta.Tick, as package
// block says; Half grows by what rounding took, so the stated bound stays true.
type Sample = block.Sample

// Flags say what was known about a reading when it was taken.
type Flags = block.Flags

const (
	// Warming marks a wideband reading taken while the controller was putting out its fixed warm-up level.
	Warming Flags = 1 << iota
	// AtLimit marks a wideband reading at an end of the controller's scale, where it only says "beyond".
	AtLimit
	// Fault marks a wideband reading of a level by which the controller reports a fault, or off its scale altogether.
	Fault
	// Disconnected marks a reading of an input that nothing drives: floating, shorted, or its controller without power.
	Disconnected
	// Stuck marks a reading of a converter that has delivered one and the same code for too long to be believed.
	Stuck
)
