package daemon

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"underdash/daemon/calibration"
	"underdash/daemon/config"
	"underdash/obd"
	"underdash/obd/elm"
	"underdash/obd/poll"
)

// Finding is what one try at a source showed: one clear sentence, good or bad.
type Finding struct {
	Part string `json:"part"`
	OK   bool   `json:"ok"`
	Text string `json:"text"`
}

// lookFor is how long Check watches an analog input.
const lookFor = time.Second

// Check tries every configured source once, without recording anything, and reports each finding as it is made.
// The daemon must not be running: an adapter serves one at a time.
func Check(ctx context.Context, cfg config.Config, o Options, report func(Finding)) (allWell bool) {
	o = o.withDefaults()
	allWell = true
	say := func(part, text string, err error) {
		if err != nil {
			text, allWell = err.Error(), false
		}
		report(Finding{Part: part, OK: err == nil, Text: text})
	}
	if cfg.Adapter.Address != "" {
		text, err := checkOBD(ctx, cfg, o)
		say(OBDPart, text, err)
	}
	for _, a := range cfg.Analog {
		text, err := checkInput(ctx, a, o)
		say(a.Name, text, err)
	}
	return allWell
}

func checkOBD(ctx context.Context, cfg config.Config, o Options) (string, error) {
	stream, err := o.Dial(ctx, cfg.Adapter.Address, cfg.Adapter.Baud)
	if err != nil {
		return "", err
	}
	conn := elm.New(stream, elm.Options{})
	defer conn.Close()
	if _, err := conn.Open(ctx); err != nil {
		return "", fmt.Errorf("the adapter at %s: %w", cfg.Adapter.Address, err)
	}
	found, err := poll.Discover(ctx, conn)
	info := conn.Info()
	if errors.Is(err, elm.ErrFixedProtocol) {
		return "", fmt.Errorf("the adapter (%s): %w", info.Version, elm.ErrFixedProtocol)
	}
	if errors.Is(err, obd.ErrNoAnswer) {
		return "", fmt.Errorf("the adapter (%s) works and the car does not answer: switch the ignition on", info.Version)
	}
	if err != nil {
		return "", fmt.Errorf("the adapter at %s: %w", cfg.Adapter.Address, err)
	}
	return fmt.Sprintf("adapter %s, %s; engine computer %v answers %d parameters, %d computers in all",
		info.Version, info.ProtocolName, found.Engine, len(found.Supported[found.Engine]), len(found.Supported)), nil
}

func checkInput(ctx context.Context, a config.Analog, o Options) (string, error) {
	c, err := o.OpenInput(a, nil)
	if err != nil {
		return "", err
	}
	defer c.Close()
	if text := outOfRange(c, a); text != "" {
		return "", errors.New(text)
	}
	seen, err := calibration.Measure(ctx, c, a, lookFor)
	few := errors.Is(err, calibration.ErrFew)
	switch {
	case few && seen.Readings == 0:
		return "", fmt.Errorf("%s %s gave no reading in %v", a.Device, a.Channel, lookFor)
	case err != nil && !few:
		return "", err
	}
	text := fmt.Sprintf("%.3f V at the plug (%.3f to %.3f V over %v, %d readings)", seen.Volts, seen.Low, seen.High, lookFor, seen.Readings)
	if a.Kind == config.Wideband && few {
		text += fmt.Sprintf(", λ %.3f by the scale if the controller is warm", a.Law().Lambda(seen.Volts))
	} else if a.Kind == config.Wideband {
		if err := seen.Driven(a); err != nil {
			return "", err
		}
		text += ". " + strings.TrimSuffix(seen.Remark(a), ".")
	}
	if got := float64(seen.Readings) / lookFor.Seconds(); got < 0.75*a.Rate {
		text += fmt.Sprintf("; of the %g readings a second that are asked for the converter makes %.0f", a.Rate, got)
	}
	for _, note := range notes(c) {
		text += "; " + note
	}
	return text, nil
}
