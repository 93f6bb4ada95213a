package httpapi

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"

	"underdash/store"
	"underdash/store/derive"
	"underdash/store/plot"
)

// longest is more seconds than any session has.
const longest = 1e8

func (s *Server) plot(w http.ResponseWriter, r *http.Request) error {
	q, err := query(r, "channel", "from", "to", "points")
	if err != nil {
		return err
	}
	request := plot.Request{Channels: q["channel"]}
	from, _, err := number(q, "from", -longest, longest)
	if err != nil {
		return err
	}
	to, _, err := number(q, "to", -longest, longest)
	if err != nil {
		return err
	}
	request.From, request.To = seconds(from), seconds(to)
	if text := q.Get("points"); text != "" {
		if request.Points, err = strconv.Atoi(text); err != nil {
			return refuse(http.StatusBadRequest, "", "points=%s is no whole number", text)
		}
	}
	if err := s.drawing.take(r.Context(), s.ending); err != nil {
		return err
	}
	defer s.drawing.give()
	reader, err := s.open(r.PathValue("id"))
	if err != nil {
		return err
	}
	defer func() { _ = reader.Close() }()
	applied, err := store.Calibrations(s.o.Store.Dir())
	if err != nil {
		return err
	}
	p, err := s.plots.Plot(r.Context(), contentKey(reader.Info(), reader.Meta(), applied), func(ctx context.Context) (*derive.Session, func() error, error) {
		if err := s.turns.take(ctx, s.ending); err != nil {
			return nil, nil, err
		}
		session, err := derive.NewWith(reader, derive.Options{Calibrations: applied, Aligned: true})
		if err != nil {
			s.turns.give()
			return nil, nil, err
		}
		return session, func() error { s.turns.give(); return nil }, nil
	}, request)
	if err != nil {
		return err
	}
	text, err := p.MarshalJSON()
	if err != nil {
		return fmt.Errorf("plot session %s: %w", reader.Info().ID, err)
	}
	inTime(w)
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(text)))
	_, _ = w.Write(text)
	return nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
