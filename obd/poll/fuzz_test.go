package poll

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"underdash/obd"
	"underdash/obd/pid"
)

// hostile is a car whose answers a script spoils, request by request: it keeps silent, answers what was not asked, cuts,
// lengthens and changes what an honest car says, in another's name, late, or breaks the link. The script is read over and
// over, so that whatever it does happens to all kinds of requests.
type hostile struct {
	t      *testing.T
	honest *car
	script []byte
	at     int
	cancel context.CancelFunc // called when enough was asked
	asked  int
	sent   time.Time // of the latest request, and when it was answered
	done   time.Time
}

const mostAsked = 1500

// next is the script's next byte; of an empty one always 0.
func (h *hostile) next() byte {
	if len(h.script) == 0 {
		return 0
	}
	b := h.script[h.at%len(h.script)]
	h.at++
	return b
}

// some are the script's next bytes, up to 31.
func (h *hostile) some() []byte {
	b := make([]byte, h.next()%32)
	for i := range b {
		b[i] = h.next()
	}
	return b
}

func (h *hostile) Request(ctx context.Context, r obd.Request) (obd.Answer, error) {
	h.check(r)
	if h.asked++; h.asked >= mostAsked {
		h.cancel()
	}
	h.sent = time.Now()
	a, err := h.honest.Request(ctx, r)
	for i := range a.Messages {
		a.Messages[i].Payload = bytes.Clone(a.Messages[i].Payload)
	}
	a, err = h.spoil(r, a, err)
	h.done = time.Now()
	return a, err
}

func (h *hostile) spoil(r obd.Request, a obd.Answer, err error) (obd.Answer, error) {
	switch act := h.next(); act % 12 {
	case 0: // nothing: the honest answer
	case 1:
		return obd.Answer{}, fmt.Errorf("request %s: %w", r, obd.ErrNoAnswer)
	case 2:
		if h.next()%16 == 0 {
			return obd.Answer{}, errUnplugged
		}
	case 3:
		return obd.Answer{Sent: a.Sent, First: a.First, Done: a.Done}, nil // an answer without messages
	case 4:
		time.Sleep(time.Duration(h.next()) * 20 * time.Millisecond)
		a.Done = time.Now()
	case 5: // anything, by itself
		a.Messages = []obd.Message{{From: 0x7E8, Payload: h.some()}}
	case 6: // anything in the form of an answer to what was asked
		a.Messages = append(a.Messages, obd.Message{From: 0x7E8, Payload: append([]byte{byte(r.Service) + obd.ResponseOffset, byte(r.PIDs[0])}, h.some()...)})
	case 7: // from anybody
		a.Messages = append(a.Messages, obd.Message{From: obd.Address(h.next()), Payload: h.some()}, obd.Message{})
	default:
		if len(a.Messages) > 0 {
			m := &a.Messages[int(h.next())%len(a.Messages)]
			m.Payload = h.bend(act%12, m.Payload)
		}
	}
	if len(a.Messages) > 0 {
		err = nil
	}
	if a.Sent.IsZero() { // the honest car was silent
		a.Sent, a.First, a.Done = h.sent, time.Now(), time.Now()
	}
	return a, err
}

// bend cuts, lengthens, changes or repeats a payload.
func (h *hostile) bend(how byte, p []byte) []byte {
	switch how {
	case 8:
		return p[:int(h.next())%(len(p)+1)]
	case 9:
		return append(p, h.some()...)
	case 10:
		return append(p, p[min(1, len(p)):]...)
	}
	if len(p) > 0 {
		p[int(h.next())%len(p)] = h.next()
	}
	return p
}

// check holds a request to what may be asked at all.
func (h *hostile) check(r obd.Request) {
	require.True(h.t, r.Service == obd.CurrentData || r.Service == obd.VehicleInfo, "%v", r)
	require.NotEmpty(h.t, r.PIDs)
	require.LessOrEqual(h.t, len(r.PIDs), mostPlaces, "%v", r)
	if r.Service == obd.CurrentData {
		require.False(h.t, dangerous(r.PIDs[0]) && len(r.PIDs) > 1, "%v: the parameter would be an order without the service", r)
	}
	for i, p := range r.PIDs {
		require.NotContains(h.t, r.PIDs[i+1:], p, "%v", r)
	}
}

// FuzzRun discovers and polls a car that says anything at all. Nothing panics or spins; what is emitted was asked, came
// from the polled engine computer, can be decoded, and was measured while it was asked.
func FuzzRun(f *testing.F) {
	f.Add([]byte{}, byte(0), byte(0))
	f.Add([]byte{0, 0, 0, 0, 0, 1, 0, 4, 200, 3}, byte(6), byte(1))
	f.Add([]byte{5, 6, 0x41, 0, 0xFF, 0xFF, 0xFF, 0xFF, 6, 4, 0xFF, 0xFF, 0xFF, 0xFF}, byte(2), byte(0))
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 8, 0, 3, 9, 1, 5, 10, 0, 11, 0, 2, 7, 7, 0x41, 0x0C}, byte(5), byte(2))
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 2, 0}, byte(6), byte(0))
	f.Fuzz(func(t *testing.T, script []byte, packs, places byte) {
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			honest := sedan()
			honest.packs = int(packs % 8)
			h := &hostile{t: t, honest: honest, script: script, cancel: cancel}
			began := time.Now()
			found, err := Discover(ctx, h)
			if err != nil {
				require.True(t, errors.Is(err, obd.ErrNoAnswer) || errors.Is(err, errUnplugged) || errors.Is(err, ctx.Err()), "%v", err)
				return
			}
			for _, s := range found.Static {
				require.Greater(t, len(s.Payload), 2)
			}
			p := New(h, found, Options{MaxPIDs: int(places % 7)})
			var values []pid.Value
			emitted := uint64(0)
			err = p.Run(ctx, func(r Reading) {
				emitted++
				require.Equal(t, found.Engine, r.From)
				require.True(t, slices.ContainsFunc(p.Channels(), func(c Channel) bool { return c.PID == r.PID }), "%v", r.PID)
				require.NotEmpty(t, r.Data)
				require.False(t, r.At.Before(h.sent) || r.At.After(h.done), "measured while it was asked")
				require.GreaterOrEqual(t, r.Half, time.Duration(0))
				values, _ = pid.Decode(r.PID, r.Data, found.Context(), values[:0])
			})
			require.Error(t, err)
			require.True(t, errors.Is(err, obd.ErrNoAnswer) || errors.Is(err, errUnplugged) || errors.Is(err, ErrNothingToAsk) ||
				errors.Is(err, ErrEngineAnswers) || errors.Is(err, ctx.Err()), "%v", err)
			require.Less(t, time.Since(began), 2*time.Minute)
			got := uint64(0)
			for _, r := range p.Rates() {
				got += r.Readings
			}
			require.Equal(t, emitted, got)
		})
	})
}
