package elm

// Framing is how the adapter prints what it hears on the bus.
type Framing uint8

// The framings, by what stands before and after the payload on a line.
const (
	AnyFraming Framing = iota // not known yet: told by each line's shape
	CAN11                     // 3-digit identifier, PCI byte, up to 7 data bytes
	CAN29                     // 8-digit identifier, PCI byte, up to 7 data bytes
	J1850                     // 3 header bytes, data, CRC-8
	KLine                     // ISO 9141-2, ISO 14230-4: 3 header bytes, data, sum modulo 256
	Bare                      // headers off: data alone; on CAN long answers have a length line and numbered lines
)

// protocols are the numbers AT DPN answers, with the standards' names. Source: ELM327 data sheet, rev DSJ, p. 26.
var protocols = map[byte]struct {
	name    string
	framing Framing
}{
	'1': {"SAE J1850 PWM (41.6 kbit/s)", J1850},
	'2': {"SAE J1850 VPW (10.4 kbit/s)", J1850},
	'3': {"ISO 9141-2 (5 baud init)", KLine},
	'4': {"ISO 14230-4 KWP (5 baud init)", KLine},
	'5': {"ISO 14230-4 KWP (fast init)", KLine},
	'6': {"ISO 15765-4 CAN (11 bit, 500 kbit/s)", CAN11},
	'7': {"ISO 15765-4 CAN (29 bit, 500 kbit/s)", CAN29},
	'8': {"ISO 15765-4 CAN (11 bit, 250 kbit/s)", CAN11},
	'9': {"ISO 15765-4 CAN (29 bit, 250 kbit/s)", CAN29},
}

// sum is the checksum of ISO 9141-2 and ISO 14230-2: the sum of all bytes modulo 256.
func sum(b []byte) (s byte) {
	for _, c := range b {
		s += c
	}
	return s
}

// crc8 is the CRC of SAE J1850: polynomial 1D, start FF, inverted at the end.
func crc8(b []byte) byte {
	crc := byte(0xFF)
	for _, c := range b {
		crc ^= c
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x1D
			} else {
				crc <<= 1
			}
		}
	}
	return ^crc
}
