package main

import (
	"context"
	"fmt"
	"log/slog"

	"github.com/spf13/cobra"

	sdnotify "github.com/coreos/go-systemd/v22/daemon"

	"underdash/daemon"
	"underdash/daemon/config"
)

func runCommand() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "run",
		Short: "Run the daemon: log every drive until stopped",
		Long: "Opens the adapter and the analog inputs, begins a session when the engine runs, ends it when it\n" +
			"stops, and goes on until SIGTERM or SIGINT. What is missing is waited for; the other source logs on.",
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := config.Load(file)
			if err != nil {
				return usageError{err}
			}
			log := slog.New(slog.NewTextHandler(cmd.ErrOrStderr(), &slog.HandlerOptions{Level: cfg.Log.Level}))
			return serve(cmd.Context(), cfg, log)
		},
	}
	cmd.Flags().StringVar(&file, "config", config.DefaultPath, "the configuration file")
	return cmd
}

// serve runs the daemon and tells the service manager, if there is one, when it is ready and when it stops.
func serve(ctx context.Context, cfg config.Config, log *slog.Logger) error {
	context.AfterFunc(ctx, func() { notify(log, sdnotify.SdNotifyStopping) })
	d := daemon.New(cfg, daemon.Options{Log: log, Software: "underdash " + version(), Ready: func() {
		log.Info("ready", "store", cfg.Store.Path)
		notify(log, sdnotify.SdNotifyReady)
	}})
	if err := d.Run(ctx); err != nil {
		return fmt.Errorf("run: %w", err)
	}
	return nil
}

func notify(log *slog.Logger, state string) {
	if _, err := sdnotify.SdNotify(false, state); err != nil {
		log.Warn("could not tell the service manager", "state", state, "err", err)
	}
}
