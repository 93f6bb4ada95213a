package rig

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

// Codes and messages are the examples of the compliance test SAE J1699-3: 01 43 is P0143, 41 23 C0123, 80 03 B0003,
// C1 00 U0100.
func TestTroubleCodesAreToldAsOnCAN(t *testing.T) {
	c := New(Options{Length: 20 * time.Second, Codes: []string{"P0143", "P0196", "P0234", "P0235"}, Pending: []string{"C0123", "B0003", "nonsense", "X0001", "P4000"},
		Permanent: []string{"U0100"}})
	now := c.Begin().Add(10 * time.Second)
	ask := func(who computer, request string) string {
		b, _ := hex.DecodeString(strings.ReplaceAll(request, " ", ""))
		return strings.ToUpper(hex.EncodeToString(c.answer(who, b, now)))
	}
	for _, tt := range []struct {
		who           computer
		request, want string
	}{
		{engine, "03", "43040143019602340235"},
		{engine, "07", "470241238003"},
		{engine, "0A", "4A01C100"},
		{gearbox, "03", "4300"},
		{gearbox, "07", "4700"},
		{engine, "01 01", "410184076100"},
		{gearbox, "01 01", "410100040000"},
		{engine, "02 02 00", "4202000143"},
		{engine, "02 00 00", "420000" + "7E3F8003"},
		{engine, "02 20 00", "422000" + "00001001"},
		{engine, "02 40 00", "424000" + "70000000"},
		{engine, "02 60 00", ""},
		{engine, "02 13 00", ""},
		{engine, "02 0C 01", ""},
		{gearbox, "02 02 00", ""},
		{engine, "02", ""},
		{engine, "09 06", "490601" + CVN},
		{gearbox, "09 06", "490601" + GearboxCVN},
		{engine, "09 00", "490054400000"},
		{gearbox, "09 00", "490014400000"},
	} {
		assert.Equal(t, tt.want, ask(tt.who, tt.request), "%s %s", tt.who.name, tt.request)
	}
	frame := ask(engine, "02 0C 00")
	assert.Equal(t, "420C00"+strings.ToUpper(hex.EncodeToString(engine.data(0x0C, c.drive.at(10*time.Second)))), frame)
	assert.Equal(t, frame+ask(engine, "02 05 00")[2:], ask(engine, "02 0C 00 05 00"), "several at once, one behind the other")
}
