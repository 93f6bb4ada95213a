package poll_test

import (
	"context"
	"encoding/hex"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/obdtest"
	"underdash/obd/poll"
)

// An adapter that cannot show headers and prints a frame's filling is read like any other.
func TestPrintedPadding(t *testing.T) {
	data := map[byte][]byte{0x05: {0x7B}, 0x0C: {0x1A, 0xF8}, 0x0D: {0x00}, 0x1C: {0x06}}
	for _, padding := range []byte{0x00, 0x55, 0xAA, 0xCC, 0xFF} {
		t.Run(fmt.Sprintf("%02X", padding), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := obdtest.New(obdtest.Options{Refused: []string{"H"}, PrintPadding: true, Padding: padding, ECUs: []obdtest.ECU{{Address: 0x7E8,
					Answer: func(r []byte, _ time.Time) []byte {
						if r[0] != 1 {
							return nil
						}
						out := []byte{0x41}
						for _, p := range r[1:] {
							if p == 0 {
								return []byte{0x41, 0x00, 0x08, 0x18, 0x00, 0x10}
							}
							if b, ok := data[p]; ok {
								out = append(append(out, p), b...)
							}
						}
						if len(out) == 1 {
							return nil
						}
						return out
					}}}})
				conn := elm.New(a.Dial(), elm.Options{})
				defer a.Wait()
				defer conn.Close()
				_, err := conn.Open(t.Context())
				require.NoError(t, err)
				found, err := poll.Discover(t.Context(), conn)
				require.NoError(t, err)
				assert.Equal(t, []obd.PID{0x05, 0x0C, 0x0D, 0x1C}, found.Supported[found.Engine])
				var constant []string
				for _, s := range found.Static {
					constant = append(constant, hex.EncodeToString(s.Payload))
				}
				assert.Equal(t, []string{"410008180010", "411c06"}, constant)
				ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
				defer cancel()
				p := poll.New(conn, found, poll.Options{Channels: []poll.Channel{{PID: 0x0C}, {PID: 0x0D}, {PID: 0x05}}})
				got := map[obd.PID]int{}
				err = p.Run(ctx, func(r poll.Reading) {
					got[r.PID]++
					require.Equal(t, data[byte(r.PID)], r.Data)
				})
				require.ErrorIs(t, err, context.DeadlineExceeded)
				assert.Len(t, got, 3)
				assert.Zero(t, p.Dropped())
				synctest.Wait()
			})
		})
	}
}
