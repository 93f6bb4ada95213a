package poll

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"underdash/obd"
)

func TestNamed(t *testing.T) {
	car := func(pids ...obd.PID) Found {
		return Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: pids, 0x7E9: {0x0B}}}
	}
	for _, tt := range []struct {
		name               string
		found              Found
		fast, normal, slow []string
		want               []Channel
	}{
		{"none: the default set", car(0x0C), nil, nil, nil, nil},
		{"one of each", car(0x0C, 0x05, 0x42), []string{"RPM"}, []string{"ECT"}, []string{"VPWR"},
			[]Channel{{PID: 0x0C}, {PID: 0x05, Class: Normal}, {PID: 0x42, Class: Slow}}},
		{"two quantities of one parameter", car(0x03), []string{"FUELSYS2", "FUELSYS1"}, nil, nil, []Channel{{PID: 0x03}}},
		{"named twice: the first class", car(0x03), nil, []string{"FUELSYS2"}, []string{"FUELSYS1"}, []Channel{{PID: 0x03, Class: Normal}}},
		{"an acronym of several parameters: the one that is there", car(0x34), []string{"LAMBDA11"}, nil, nil, []Channel{{PID: 0x34}}},
		{"both are there: the first", car(0x24, 0x34), []string{"LAMBDA11"}, nil, nil, []Channel{{PID: 0x24}}},
		{"a stand-in", car(0x66, 0x67, 0x68, 0x87), []string{"MAF", "MAP"}, []string{"ECT", "IAT"}, nil,
			[]Channel{{PID: 0x66}, {PID: 0x87}, {PID: 0x67, Class: Normal}, {PID: 0x68, Class: Normal}}},
		{"the parameter itself goes before a stand-in", car(0x10, 0x66), []string{"MAF"}, nil, nil, []Channel{{PID: 0x10}}},
		{"not there: named all the same, to be reported as not answered", car(0x0C), []string{"MAP"}, nil, nil, []Channel{{PID: 0x0B}}},
		{"unknown", car(0x0C), []string{"SPEEDO", "RPM"}, nil, nil, []Channel{{PID: 0x0C}}},
		{"sensors of two banks", car(0x34, 0x38), []string{"LAMBDA21"}, nil, nil, []Channel{{PID: 0x38}}},
		{"sensors of four banks", Found{Engine: 0x7E8, Supported: car(0x34, 0x36, 0x38).Supported,
			Static: []Static{{0x7E8, obd.CurrentData, 0x1D, []byte{0x41, 0x1D, 0x15}}}}, []string{"LAMBDA21"}, nil, nil, []Channel{{PID: 0x36}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			assert.Equal(t, tt.want, Named(tt.found, tt.fast, tt.normal, tt.slow))
		})
	}
}

func TestChannelOr(t *testing.T) {
	f := Found{Engine: 0x7E8, Supported: map[obd.Address][]obd.PID{0x7E8: {0x0C, 0x66, 0x87}}}
	p := New(nil, f, Options{Channels: []Channel{
		{PID: 0x10, Or: []obd.PID{0x66}},
		{PID: 0x66, Class: Slow},
		{PID: 0x0C, Or: []obd.PID{0x87}},
		{PID: 0x05, Or: []obd.PID{0x67}, Every: time.Second},
	}})
	assert.Equal(t, []Channel{{PID: 0x66}, {PID: 0x0C}, {PID: 0x05, Every: time.Second}}, p.Channels())
}
