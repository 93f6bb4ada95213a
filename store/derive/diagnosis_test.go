package derive

import (
	"encoding/hex"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/pid"
	"underdash/store"
)

// said is one answer, its payload in hexadecimal.
func said(t testing.TB, from uint32, payload string) store.Static {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(payload, " ", ""))
	require.NoError(t, err)
	s := store.Static{From: from, Service: b[0] - obd.ResponseOffset, Payload: b}
	if service := obd.Service(s.Service); len(b) > 1 && (service == obd.CurrentData || service == obd.VehicleInfo || service == obd.FreezeFrame) {
		s.PID = b[1]
	}
	return s
}

// The VIN is the example of the ELM327-class data sheet's section on multiline responses; the computer's name, the
// codes (01 43 is P0143, C1 00 is U0100) and the shapes of messages are those of the compliance test SAE J1699-3.
const (
	vinOnCAN   = "49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36"
	vinBefore  = "49 02 01 00 00 00 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36" // five lines, joined by the dialogue
	exampleVIN = "1D4GP00R55B123456"
	nameOnCAN  = "49 0A 01 45 43 4D 00 2D 45 6E 67 69 6E 65 43 6F 6E 74 72 6F 6C 00 00"
	calibrated = "49 04 02 43 41 4C 2D 30 30 30 31 00 00 00 00 00 00 00 00 43 41 4C 2D 30 30 30 32 00 00 00 00 00 00 00 00"
	verified   = "49 06 02 17 91 BC 82 16 E0 62 BE"
)

func TestDiagnoses(t *testing.T) {
	onCAN := store.Meta{
		Channels: []store.Channel{parameter(0x7E8, 0x0C, 2, 0)},
		Static:   []store.Static{declares(0x7E8, 32)},
		Diagnoses: []store.Diagnosis{
			{At: time.Second, Until: 3 * time.Second, When: store.DriveStart, Silent: []store.Question{{Service: 0x07}}, Answers: []store.Static{
				said(t, 0x7E9, "43 00"), said(t, 0x7E9, "41 01 00 04 00 00"),
				said(t, 0x7E8, "41 01 84 07 65 04"), said(t, 0x7E8, "43 04 01 43 01 96 02 34 02 35"), said(t, 0x7E8, "4A 01 C1 00"),
				said(t, 0x7E8, "42 02 00 01 43"), said(t, 0x7E8, "42 00 00 58 18 00 00"),
				said(t, 0x7E8, "42 0C 00 0A 8E 04 00 2E"), said(t, 0x7E8, "42 03 00 02 00"), said(t, 0x7E8, "42 34 00 08 0A 80 00"), said(t, 0x7E8, "42 34 01 80 00 80 00"),
				said(t, 0x7E8, vinOnCAN), said(t, 0x7E8, nameOnCAN), said(t, 0x7E8, calibrated), said(t, 0x7E8, verified),
			}},
			{At: time.Hour, When: store.DriveEnd, Problem: "the car no longer answered"},
		},
	}
	all := Diagnoses(onCAN)
	require.Len(t, all, 2)
	assert.Equal(t, Diagnosis{At: time.Hour, When: store.DriveEnd, Problem: "the car no longer answered"}, all[1])
	require.Len(t, all[0].Computers, 2)
	engine, gearbox := all[0].Computers[0], all[0].Computers[1]
	assert.EqualValues(t, 0x7E8, engine.Address, "the engine's first")
	assert.Equal(t, exampleVIN, engine.VIN)
	assert.Equal(t, "ECM", engine.Acronym)
	assert.Equal(t, "EngineControl", engine.Name)
	assert.Equal(t, []CalibrationID{{"CAL-0001", "1791BC82"}, {"CAL-0002", "16E062BE"}}, engine.Calibrations)
	assert.Equal(t, Codes{true, []string{"P0143", "P0196", "P0234", "P0235"}}, engine.Stored)
	assert.Equal(t, Codes{}, engine.Pending, "on CAN silence tells nothing")
	assert.Equal(t, Codes{true, []string{"U0100"}}, engine.Permanent)
	assert.True(t, engine.Status.MIL)
	assert.Equal(t, 4, engine.Status.Codes)
	assert.Contains(t, engine.Status.Monitors, pid.Monitor{Name: "evaporative system", Present: true})
	require.NotNil(t, engine.Frame)
	assert.Equal(t, "P0143", engine.Frame.Code)
	frame := map[string]FrozenValue{}
	for _, v := range engine.Frame.Values {
		frame[v.Name] = v
	}
	assert.Len(t, engine.Frame.Values, 6, "03 has two, 34 has two; a maker's frame 1 is no part of it")
	assert.Equal(t, FrozenValue{Name: "RPM", Description: "Engine speed", Unit: "1/min", Number: 675.5}, frame["RPM"])
	assert.Equal(t, "CL", frame["FUELSYS1"].Text)
	assert.InDelta(t, 1.004898, frame["LAMBDA11"].Number, 1e-6, "in the full scale that the car declares")
	assert.Empty(t, engine.Unreadable)
	assert.Equal(t, Codes{Told: true}, gearbox.Stored)
	assert.Nil(t, gearbox.Frame)

	assert.Equal(t, exampleVIN, VIN(onCAN))
	identity := Computers(onCAN)
	require.Len(t, identity, 1, "the gearbox did not say who it is")
	assert.Equal(t, exampleVIN, identity[0].VIN)
	assert.Nil(t, identity[0].Status)
}

// What came from nobody knows whom may be several computers': one's name does not stand over another's codes.
func TestWhoeverIsNotNamedHasNoName(t *testing.T) {
	m := store.Meta{Diagnoses: []store.Diagnosis{{When: store.DriveStart, Answers: []store.Static{
		said(t, 0, "43 00"), said(t, 0, "43 02 01 43 01 96"), said(t, 0, nameOnCAN), said(t, 0, vinOnCAN)}}}, Adapter: store.Adapter{Protocol: "ISO 15765-4 CAN"}}
	all := Diagnoses(m)
	require.Len(t, all, 1)
	require.Len(t, all[0].Computers, 1)
	c := all[0].Computers[0]
	assert.Equal(t, "not told which", c.Who())
	assert.Empty(t, c.Acronym+c.Name)
	assert.Equal(t, []string{"P0143", "P0196"}, c.Stored.List)
	assert.Equal(t, exampleVIN, VIN(m))
	assert.Equal(t, "7E8", Computer{Address: 0x7E8}.Who())
}

func TestDiagnosesBeforeCAN(t *testing.T) {
	m := store.Meta{Diagnoses: []store.Diagnosis{{When: store.DriveStart, Silent: []store.Question{{Service: 0x07}}, Answers: []store.Static{
		said(t, 0x10, "41 01 04 07 E5 00"), said(t, 0x10, "43 01 43 01 96 02 34"), said(t, 0x10, "43 02 35 00 00 00 00"), said(t, 0x10, vinBefore),
		said(t, 0x18, "49 04 01 54 52 2D 39 00 00 00 00 00 00 00 00 00 00 00 00"),
	}}}}
	d := Diagnoses(m)[0]
	require.Len(t, d.Computers, 2)
	c := d.Computers[0]
	assert.Equal(t, Codes{true, []string{"P0143", "P0196", "P0234", "P0235"}}, c.Stored)
	assert.Equal(t, Codes{Told: true}, c.Pending, "silence says that there are none")
	assert.Equal(t, exampleVIN, c.VIN)
	assert.Equal(t, Codes{Told: true}, d.Computers[1].Stored, "another one answered, this one has none")
	assert.Equal(t, Codes{}, c.Permanent, "nobody was asked for these")

	hidden := store.Meta{Adapter: store.Adapter{Protocol: "ISO 15765-4 CAN (11 bit, 500 kbit/s)"},
		Diagnoses: []store.Diagnosis{{When: store.DriveStart, Answers: []store.Static{said(t, 0, "43 01 01 43")}}}}
	assert.Equal(t, []string{"P0143"}, Diagnoses(hidden)[0].Computers[0].Stored.List, "an adapter that hides senders: the protocol tells")
}

func TestWhatCannotBeReadIsNamed(t *testing.T) {
	m := store.Meta{Diagnoses: []store.Diagnosis{{When: store.DriveStart, Answers: []store.Static{
		said(t, 0x7E8, "43 02 01 43"), said(t, 0x7E8, "49 02 01"+strings.Repeat("FF", 17)), said(t, 0x7E8, "49 04 01 31"),
		said(t, 0x7E8, "42 0C 00 0A"), said(t, 0x7E8, "41 01 00"),
	}}}}
	c := Diagnoses(m)[0].Computers[0]
	assert.False(t, c.Stored.Told)
	assert.Nil(t, c.Status)
	assert.Empty(t, c.VIN)
	require.Len(t, c.Unreadable, 5)
	joined := strings.Join(c.Unreadable, "\n")
	for _, words := range []string{"service 03", "two bytes follow for each code counted", "never told", "items have 16 bytes each", "service 02 parameter 0C", "service 01 parameter 01"} {
		assert.Contains(t, joined, words)
	}
	assert.Empty(t, VIN(m))
	assert.Empty(t, Diagnoses(store.Meta{}))
}

// Another answer to the same question, garbled or of another time, does not hide the first that can be read.
func TestTheFirstReadableAnswerHolds(t *testing.T) {
	m := store.Meta{Static: []store.Static{said(t, 0x7E8, "49 02 01 31"), said(t, 0x7E8, vinOnCAN)},
		Diagnoses: []store.Diagnosis{{Answers: []store.Static{said(t, 0x7E8, "49 02 01"+strings.Repeat("41", 17))}}}}
	assert.Equal(t, exampleVIN, VIN(m))
	parts := store.Meta{Static: []store.Static{said(t, 0x10, "49 06 02 16 E0 62 BE 00"), said(t, 0x10, "49 06 01 17 91 BC")}}
	assert.Equal(t, []CalibrationID{{CVN: "1791BC16"}, {CVN: "E062BE00"}}, Computers(parts)[0].Calibrations)
}

func FuzzDiagnoses(f *testing.F) {
	for _, s := range []string{vinOnCAN, nameOnCAN, calibrated, verified, "43 04 01 43 01 96 02 34 02 35", "42 02 00 01 43", "42 0C 00 0A 8E", "41 01 84 07 65 04"} {
		a := said(f, 0x7E8, s)
		f.Add(a.From, a.Service, a.PID, a.Payload)
	}
	f.Fuzz(func(t *testing.T, from uint32, service, p byte, payload []byte) {
		m := store.Meta{Static: []store.Static{{From: from, Service: service, PID: p, Payload: payload}},
			Diagnoses: []store.Diagnosis{{When: store.DriveStart, Silent: []store.Question{{Service: 3}}, Answers: []store.Static{
				{From: from, Service: service, PID: p, Payload: payload}, {From: from, Service: 2, PID: 2, Payload: []byte{0x42, 2, 0, 1, 0x43}}}}}}
		_ = VIN(m)
		_ = Computers(m)
		for _, d := range Diagnoses(m) {
			for _, c := range d.Computers {
				require.EqualValues(t, from, c.Address)
				if c.Frame != nil {
					for _, v := range c.Frame.Values {
						require.Equal(t, math.IsNaN(v.Number), v.State == NotAvailable || v.State == UnknownScale)
					}
				}
			}
		}
	})
}
