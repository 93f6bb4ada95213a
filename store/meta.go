package store

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"time"
)

// Format is the version of the session file written now. Files of this and every earlier version can be read.
//
//	1  a value of the bucket "blocks" is one block
//	2  it is one or more, one behind the other, under the sequence number of the first. The description is there
//	   twice, in the buckets "meta" and "copy", each with its own checksum and, once the session is sealed, the seal;
//	   a sealed file has it, without the seal, at its beginning, too, in the bucket "early"
const Format = 2

// Meta describes a session: everything a reader needs to turn its raw codes into quantities.
// Instants are on the session's clock, durations since it started.
type Meta struct {
	Format   int    `json:"format"`             // version of the file, set by Begin
	ID       string `json:"id"`                 // set by Begin
	Number   uint64 `json:"number"`             // place in the order of all sessions of this store, set by Begin
	Origin   string `json:"origin,omitempty"`   // the store that recorded it, set by Begin: a number is a place among its sessions only
	Revision uint64 `json:"revision,omitempty"` // how often the description was changed, set by the store
	BootID   string `json:"boot_id,omitempty"`  // sessions of one boot share a monotonic clock
	// SinceBoot is where the session's clock starts on that of the boot.
	SinceBoot time.Duration `json:"since_boot_ns,omitempty"`
	// Tick is the resolution that instants are stored with; 0 stands for block.DefaultTick.
	Tick     time.Duration `json:"tick_ns,omitempty"`
	Software string        `json:"software,omitempty"`
	Vehicle  string        `json:"vehicle,omitempty"` // VIN, or the owner's name for the car

	Adapter Adapter `json:"adapter"`
	Fuel    Fuel    `json:"fuel"`

	Anchors      []Anchor      `json:"anchors,omitempty"`
	Channels     []Channel     `json:"channels,omitempty"` // only ever appended to: samples name them by index
	Static       []Static      `json:"static,omitempty"`
	Calibrations []Calibration `json:"calibrations,omitempty"`
	References   []Reference   `json:"references,omitempty"` // known levels that the drive showed by itself
	Delays       []Delay       `json:"delays,omitempty"`     // the last of an input is in force for the whole session
	Events       []Event       `json:"events,omitempty"`
	Diagnoses    []Diagnosis   `json:"diagnoses,omitempty"`
	Rates        []Rate        `json:"rates,omitempty"`
	Polled       []Polled      `json:"polled,omitempty"`
	End          *End          `json:"end,omitempty"` // nil while recording and after a cut
}

// Anchor ties one instant of the session's clock to the wall clock.
type Anchor struct {
	At       time.Duration `json:"at_ns"`
	UTC      time.Time     `json:"utc"`
	Source   string        `json:"source"` // ByReference, ByClient or BySystem
	MaxError time.Duration `json:"max_error_ns,omitempty"`
}

// Adapter is the OBD adapter the session was recorded through.
type Adapter struct {
	Address  string `json:"address,omitempty"`
	Version  string `json:"version,omitempty"`
	Protocol string `json:"protocol,omitempty"`
}

// Fuel is what was in the tank as configured, and its stoichiometric air to fuel mass ratio.
type Fuel struct {
	Name   string  `json:"name,omitempty"`
	AFRst  float64 `json:"afr_stoichiometric,omitempty"`
	Source string  `json:"source,omitempty"` // where AFRst comes from
	Flex   bool    `json:"flex,omitzero"`    // follow the share of ethanol that the engine computer tells
}

// Channel says what a sample's code is: exactly one of OBD and Analog is set.
type Channel struct {
	Name   string         `json:"name"`
	OBD    *OBDChannel    `json:"obd,omitempty"`
	Analog *AnalogChannel `json:"analog,omitempty"`
}

// OBDChannel is up to eight data bytes of one engine computer's answer to one parameter, without service and PID.
// A longer payload takes several channels, the parts, in order; their samples carry the same instant and follow
// each other.
type OBDChannel struct {
	Service byte   `json:"service"`
	PID     byte   `json:"pid"`
	From    uint32 `json:"from"`
	Bytes   int    `json:"bytes"` // in this part, 1 to 8
	Part    int    `json:"part,omitempty"`
}

// AnalogChannel is one ADC input as it was configured.
type AnalogChannel struct {
	Kind            string   `json:"kind"`                // "wideband" or "linear"
	Unit            string   `json:"unit,omitempty"`      // of Value in Low and High; a wideband's is λ, the unit 1
	ScaleMillivolts float64  `json:"scale_mv"`            // millivolts a code
	OffsetCodes     float64  `json:"offset_codes"`        // added to the code before scaling
	LowCode         int32    `json:"low_code,omitempty"`  // the converter's lowest code
	HighCode        int32    `json:"high_code,omitempty"` // and its highest; both 0 where they were not known
	Divider         float64  `json:"divider"`             // volts at the plug per volt at the ADC
	Low             Point    `json:"low"`
	High            Point    `json:"high"`
	WarmupVolts     *float64 `json:"warmup_volts,omitempty"` // what the controller puts out while it heats; nil if none
	FaultVolts      *float64 `json:"fault_volts,omitempty"`  // what it puts out to report a fault; nil if none
	TopVolts        *float64 `json:"top_volts,omitempty"`    // the top of its output, as in a fuel cut; nil: the law's own end
	Bank            int      `json:"bank,omitempty"`         // of the engine, whose exhaust it sits in; 0 stands for 1
	Rate            float64  `json:"rate"`                   // readings a second asked for
}

// Point is one of the two that define a sensor's straight line.
type Point struct {
	Volts float64 `json:"volts"` // at the plug
	Value float64 `json:"value"` // λ, or in the channel's unit
}

// Static is one answer that was asked for once, the whole payload as it was received: 41 4F 20 00 00 00.
type Static struct {
	From    uint32 `json:"from"`
	Service byte   `json:"service"`
	PID     byte   `json:"pid"`
	Payload []byte `json:"payload"`
}

// Diagnosis is what the engine computers said of themselves at a drive's start or end, as it was received: trouble
// codes, monitors, the freeze frame, and who they are.
type Diagnosis struct {
	At      time.Duration `json:"at_ns"`              // when the first question was put
	Until   time.Duration `json:"until_ns,omitempty"` // when the last was answered or given up
	When    string        `json:"when"`               // DriveStart or DriveEnd
	Answers []Static      `json:"answers,omitempty"`
	Silent  []Question    `json:"silent,omitempty"`  // asked, and nobody answered
	Problem string        `json:"problem,omitempty"` // why it was not read, or not to its end; empty if it was
}

// The times of a Diagnosis.
const (
	DriveStart = "start"
	DriveEnd   = "end"
)

// Question is a service, and its parameter where it takes one.
type Question struct {
	Service byte `json:"service"`
	PID     byte `json:"pid,omitempty"`
}

// Calibration is a chain model of an analog input, seen = Gain·true + Offset in volts at the plug, and how it was
// found. The last record of an input is in force for the whole session, also for what was read before it.
type Calibration struct {
	Input  string        `json:"input"` // the channel's name
	At     time.Duration `json:"at_ns"` // when it was found
	Gain   float64       `json:"gain"`
	Offset float64       `json:"offset"` // volts
	Method string        `json:"method"` // "none", "warm-up level", "references", "configured", "carried over" or "applied"
	Levels []Level       `json:"levels,omitempty"`

	GainSigma     float64    `json:"gain_sigma,omitempty"`       // standard uncertainties; 0 if not known
	OffsetSigma   float64    `json:"offset_sigma,omitempty"`     // volts
	Covariance    float64    `json:"covariance,omitempty"`       // of gain and offset, volts
	AssumedOffset bool       `json:"assumed_no_offset,omitzero"` // the levels did not tell the offset: taken for zero
	Made          *time.Time `json:"made,omitempty"`             // by the wall clock; nil if that was not known
	Finding       string     `json:"finding,omitempty"`          // what the levels say of the wiring, in words
	Fuel          *Fuel      `json:"fuel,omitempty"`             // that was burnt meanwhile; nil if that is not known
	PlugPerPin    float64    `json:"plug_per_pin,omitempty"`     // volts at the plug per volt at the converter by which the levels were seen; 0 if not known
}

// SameDivider says whether two numbers of volts at the plug per volt at the converter are those of one divider, as far as is known:
// volts at the plug that were seen through another one are others. 0 stands for one that is not known.
func SameDivider(a, b float64) bool { return a == 0 || b == 0 || math.Abs(a-b) <= 1e-9*b }

// Through says whether the calibration's levels were seen through such a divider.
func (c Calibration) Through(plugPerPin float64) bool { return SameDivider(c.PlugPerPin, plugPerPin) }

// Level is one voltage whose true value is known, against what was seen.
type Level struct {
	Known float64 `json:"known"`
	Seen  float64 `json:"seen"`
	Sigma float64 `json:"sigma"` // standard deviation of the readings behind Seen
	Kind  string  `json:"kind"`

	Random     float64 `json:"random,omitempty"`      // standard uncertainty of Seen by noise; 0 if not known
	Tolerance  float64 `json:"tolerance,omitempty"`   // of Known, shared by all levels of the kind; 0 if not known
	ClosedLoop float64 `json:"closed_loop,omitempty"` // of Known, shared by all that rest on the engine computer's λ
	Residual   float64 `json:"residual,omitempty"`    // volts at the plug that the calibration leaves of Seen; 0 outside of one
}

// Event is something that happened at an instant or over a span.
type Event struct {
	At     time.Duration `json:"at_ns"`
	Until  time.Duration `json:"until_ns,omitempty"` // At or 0 if it has no length; StillOpen
	Kind   string        `json:"kind"`               // "gap", "pause", "mark" or "note"
	Source string        `json:"source,omitempty"`
	Text   string        `json:"text,omitempty"`
}

// Rate is how often a channel was read, up to the instant when that was last written down.
type Rate struct {
	Channel   int           `json:"channel"` // place in Channels
	Until     time.Duration `json:"until_ns"`
	Readings  uint64        `json:"readings"`
	PerSecond float64       `json:"per_second"` // from the channel's first reading to Until, pauses left out
	Worst     time.Duration `json:"worst_ns"`   // longest time from one reading to the next, pauses left out
}

// Polled is how one parameter of an engine computer was asked for over the drive, whether or not it was ever answered.
type Polled struct {
	From     uint32  `json:"from"`
	Service  byte    `json:"service"`
	PID      byte    `json:"pid"`
	Class    string  `json:"class"`            // "fast", "normal" or "slow"
	Wanted   float64 `json:"wanted,omitempty"` // readings a second that its class asks for; 0: as many as the link gives
	Asked    float64 `json:"asked"`            // times a second that it was asked, while the link was up
	Got      float64 `json:"got"`              // readings a second, over the same time, pauses of the drive included
	Requests uint64  `json:"requests"`
	Readings uint64  `json:"readings"`
}

// The sources of events that are no analog input's name.
const (
	SourceCar      = "obd"      // the engine computers
	SourceRecorder = "recorder" // the recording itself, and with it all that is read
)

// Of says whether the event concerns what was read of an analog input, or, with no input named, of the engine computers.
func (e Event) Of(input string) bool {
	switch e.Source {
	case "", SourceRecorder:
		return true
	case SourceCar:
		return input == ""
	}
	return e.Source == input
}

// StillOpen is the Until of an event that goes on, as far as was known when the description was last written.
const StillOpen = time.Duration(-1)

// End closes a session. What it counts saves a listing from reading the blocks.
type End struct {
	At      time.Duration `json:"at_ns"`
	Reason  string        `json:"reason"`
	Blocks  uint64        `json:"blocks"`  // set by Session.End
	Samples uint64        `json:"samples"` // set by Session.End
	Last    time.Duration `json:"last_ns"` // greatest instant of all readings, set by Session.End
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// encodeMeta returns the description as stored, and its CRC-32C: bbolt checks only its own two meta pages.
func encodeMeta(m Meta) (text, sum []byte, err error) {
	text, err = json.Marshal(m)
	if err != nil {
		return nil, nil, fmt.Errorf("encode the session's description: %w", err)
	}
	return text, checksumText(text), nil
}

func decodeMeta(text, sum []byte) (Meta, error) {
	if text == nil {
		return Meta{}, errors.New("the session's description is missing")
	}
	if !bytes.Equal(sum, checksumText(text)) {
		return Meta{}, errors.New("the session's description does not match its checksum")
	}
	var m Meta
	if err := json.Unmarshal(text, &m); err != nil {
		return Meta{}, fmt.Errorf("the session's description is not readable: %w", err)
	}
	if m.Format > Format || m.Format < 1 {
		return m, fmt.Errorf("%w: format %d, this program reads up to %d", ErrVersion, m.Format, Format)
	}
	return m, nil
}

// clone returns a copy that shares no memory with m, so a failed update cannot leave traces.
func (m Meta) clone() (Meta, error) {
	text, sum, err := encodeMeta(m)
	if err != nil {
		return Meta{}, err
	}
	return decodeMeta(text, sum)
}
