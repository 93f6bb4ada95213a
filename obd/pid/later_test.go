package pid

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
)

// Parameters that begin with a status byte, beyond those of service01_vectors.tsv. Bytes marked "car" are answers of
// real cars (testdata/real_replies.tsv, OBDb contributors, CC BY-SA 4.0), the others are made up; values by hand from
// the formulas of the compliance test SAE J1699-3. A dash is "not available".
func TestParametersWithAStatusByte(t *testing.T) {
	for _, tt := range []struct{ name, bytes, want string }{
		{"EGR (car)", "69 3F 08 08 81 00 00 80", "EGR_A_CMD=3.137255 EGR_A_ACT=3.137255 EGR_A_ERR=0.78125 EGR_B_CMD=0 EGR_B_ACT=0 EGR_B_ERR=0"},
		{"EGR A alone", "69 07 33 34 82 FF FF FF", "EGR_A_CMD=20 EGR_A_ACT=20.392157 EGR_A_ERR=1.5625 EGR_B_CMD=- EGR_B_ACT=- EGR_B_ERR=-"},
		{"intake air flow", "6A 03 FF 33 00 00", "IAF_A_CMD=100 IAF_A_REL=20 IAF_B_CMD=- IAF_B_REL=-"},
		{"EGR temperatures in steps of four degrees (car)", "6B 30 2A 0A 0A 0A", "EGRT11=128 EGRT12=0 EGRT21=- EGRT22=-"},
		{"EGR temperatures in steps of one degree", "6B 09 2A 0A 0A 64", "EGRT11=2 EGRT12=- EGRT21=- EGRT22=60"},
		{"throttle (car)", "6C 03 FF BF 00 00", "TAC_A_CMD=100 TP_A_REL=74.901961 TAC_B_CMD=- TP_B_REL=-"},
		{"throttle position alone (car)", "6C 02 00 08 00 00", "TAC_A_CMD=- TP_A_REL=3.137255 TAC_B_CMD=- TP_B_REL=-"},
		{"rail pressure (car)", "6D 37 01 F4 01 F7 45 00 00 01 F7 45", "FRP_A_CMD=5000 FRP_A=5030 FRT_A=29 FRP_B_CMD=- FRP_B=5030 FRT_B=29"},
		{"injection pressure", "6E 03 01 F4 01 F7 00 00 00 00", "ICP_A_CMD=5000 ICP_A=5030 ICP_B_CMD=- ICP_B=-"},
		{"variable turbo", "71 07 33 34 FF FF 02", "VGT_A_CMD=20 VGT_A_ACT=20.392157 VGT_B_CMD=- VGT_B_ACT=- VGT_A=2 VGT_B=-"},
		{"wastegate (car)", "72 03 FF 7F 00 00", "WG_A_CMD=100 WG_A_ACT=49.803922 WG_B_CMD=- WG_B_ACT=-"},
		{"exhaust pressure", "73 01 27 94 00 00", "EP1=101.32 EP2=-"},
		{"turbo temperatures", "75 0F 3C 82 1F 40 1B 58", "TCA_CINT=20 TCA_COUTT=90 TCA_TINT=760 TCA_TOUTT=660"},
		{"second turbo's", "76 01 3C 82 1F 40 1B 58", "TCB_CINT=20 TCB_COUTT=- TCB_TINT=- TCB_TOUTT=-"},
		{"exhaust gas", "78 05 1F 40 00 00 1B 58 00 00", "EGT11=760 EGT12=- EGT13=660 EGT14=-"},
		{"exhaust gas, second bank", "79 01 1F 40 00 00 00 00 00 00", "EGT21=760 EGT22=- EGT23=- EGT24=-"},
		{"run times (car)", "7F 03 00 BD 31 48 00 1B BE 2F 00 00 00 00", "RUN_TIME=12398920 IDLE_TIME=1818159 PTO_TIME=-"},
		{"late λ of sensors 3 and 4", "9C 90 00 00 00 00 00 00 00 00 20 00 00 00 00 00 10 00", "O2S13_PCT=- O2S14_PCT=- O2S23_PCT=- O2S24_PCT=- LAMBDA13=0.999424 LAMBDA14=- LAMBDA23=- LAMBDA24=0.499712"},
		{"late concentration", "9C 01 36 A7 00 00 00 00 00 00 00 00 00 00 00 00 00 00", "O2S13_PCT=21.350266 O2S14_PCT=- O2S23_PCT=- O2S24_PCT=- LAMBDA13=- LAMBDA14=- LAMBDA23=- LAMBDA24=-"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := unhex(t, tt.bytes)
			values, err := Decode(obd.PID(b[0]), b[1:], Context{}, nil)
			require.NoError(t, err)
			param, _ := Lookup(obd.PID(b[0]))
			var got []string
			for _, v := range values {
				number := "-"
				if v.State != NotAvailable {
					number = strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.6f", v.Number), "0"), ".")
				}
				assert.Equal(t, v.State == NotAvailable, math.IsNaN(v.Number))
				got = append(got, param.Signals[v.Index].Acronym+"="+number)
			}
			assert.Equal(t, tt.want, strings.Join(got, " "))
		})
	}
}
