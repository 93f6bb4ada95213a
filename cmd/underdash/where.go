package main

import (
	"cmp"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"underdash/daemon/config"
)

// storeEnv names the store's directory for all commands that read it.
const storeEnv = "UNDERDASH_STORE"

// where is how a reading command is told which store to read.
type where struct{ dir, config string }

func (w *where) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&w.dir, "store", "", "the store's directory (default: $"+storeEnv+", else the configuration's, else "+config.Default().Store.Path+")")
	cmd.Flags().StringVar(&w.config, "config", "", "take the store's directory from this configuration file")
}

// name returns the store's directory: the flag, the configuration named, the environment, the default, in this order.
func (w *where) name() (string, error) {
	dir := w.dir
	if dir == "" && w.config != "" {
		cfg, err := config.Load(w.config)
		if err != nil {
			return "", usageError{err}
		}
		dir = cfg.Store.Path
	}
	return cmp.Or(dir, os.Getenv(storeEnv), config.Default().Store.Path), nil
}

// path returns the store's directory if there is one.
func (w *where) path() (string, error) {
	dir, err := w.name()
	if err != nil {
		return "", err
	}
	info, err := os.Stat(dir)
	if err != nil {
		return "", usageError{fmt.Errorf("there is no store at %s: %w; name its directory with --store", dir, err)}
	}
	if !info.IsDir() {
		return "", usageError{fmt.Errorf("%s is a file; --store takes the directory that holds the sessions", dir)}
	}
	return dir, nil
}
