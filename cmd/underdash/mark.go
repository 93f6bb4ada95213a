package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
)

func markCommand() *cobra.Command {
	var in where
	cmd := &cobra.Command{
		Use:   "mark TEXT",
		Short: "Put a named instant, now, into the drive that is being recorded",
		Long: "Puts a mark with a text into the session that the daemon is recording, at this instant. The daemon\n" +
			"writes it a moment later; while the store takes nothing, the mark waits in memory as readings do. An analog\n" +
			"input can be made a switch that does the same; see the configuration.",
		Args: leastArgs(1, "a text"),
		RunE: func(cmd *cobra.Command, args []string) error {
			text := strings.Join(args, " ")
			if strings.TrimSpace(text) == "" {
				return usageError{errors.New("a mark needs a text: underdash mark \"knock at the lights\"")}
			}
			dir, err := in.path()
			if err != nil {
				return err
			}
			client := running(dir)
			if client == nil {
				return fmt.Errorf("no daemon is recording into %s, so there is nothing to mark", dir)
			}
			defer client.Close()
			return client.Mark(cmd.Context(), text)
		},
	}
	in.flags(cmd)
	return cmd
}
