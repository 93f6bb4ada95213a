package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"underdash/daemon"
	"underdash/daemon/config"
)

func checkCommand() *cobra.Command {
	var (
		file   string
		asJSON bool
	)
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Try the adapter and every analog input once, and say what is there",
		Long: "Opens each configured source once, records nothing, and says in a sentence what was found. Stop the\n" +
			"daemon first: an adapter serves one program at a time. Exit code 1 if a source does not work.",
		Args: exactArgs(0, "no arguments"),
		RunE: func(cmd *cobra.Command, _ []string) error {
			cfg, err := config.Load(file)
			if err != nil {
				return usageError{err}
			}
			findings := []daemon.Finding{}
			well := daemon.Check(cmd.Context(), cfg, daemon.Options{}, func(f daemon.Finding) {
				findings = append(findings, f)
				if !asJSON {
					fmt.Fprintf(cmd.OutOrStdout(), "%-5s %s: %s\n", verdict(f.OK), f.Part, f.Text)
				}
			})
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				if err := enc.Encode(findings); err != nil {
					return err
				}
			}
			if !well {
				return errors.New("not every source works")
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&file, "config", config.DefaultPath, "the configuration file")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON instead of sentences")
	return cmd
}

func verdict(ok bool) string {
	if ok {
		return "ok"
	}
	return "fault"
}
