package store

import (
	"fmt"
	"hash/crc32"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestDiagnosesAreKept(t *testing.T) {
	want := []Diagnosis{
		{At: time.Second, Until: 2 * time.Second, When: DriveStart, Silent: []Question{{Service: 0x0A}, {Service: 9, PID: 4}},
			Answers: []Static{{From: 0x7E8, Service: 3, Payload: []byte{0x43, 1, 0x01, 0x43}}, {From: 0x18DAF110, Service: 9, PID: 2, Payload: []byte{0x49, 2, 1}}}},
		{At: time.Hour, When: DriveEnd, Problem: "the car no longer answered"},
	}
	text, sum, err := encodeMeta(Meta{Format: Format, Diagnoses: want})
	require.NoError(t, err)
	got, err := decodeMeta(text, sum)
	require.NoError(t, err)
	assert.Equal(t, want, got.Diagnoses)
}

// A description as it was written before there were diagnoses is of the same format and is read as one without.
func TestADescriptionWithoutDiagnosesIsRead(t *testing.T) {
	text := []byte(`{"format":1,"id":"00001-aaaa","number":1,"vehicle":"old","adapter":{},"fuel":{},"channels":[{"name":"01.0C@7E8",` +
		`"obd":{"service":1,"pid":12,"from":2024,"bytes":2}}],"static":[{"from":2024,"service":9,"pid":2,"payload":"SQIB"}]}`)
	m, err := decodeMeta(text, fmt.Appendf(nil, "%08x", crc32.Checksum(text, castagnoli)))
	require.NoError(t, err)
	assert.Nil(t, m.Diagnoses)
	assert.Equal(t, "old", m.Vehicle)
	assert.Equal(t, []byte{0x49, 2, 1}, m.Static[0].Payload)
}
