package main

import (
	"bytes"
	"errors"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/auth"
)

func newKeyCmd(a *app) *cobra.Command {
	var from string
	cmd := &cobra.Command{
		Use:   "key",
		Short: "make the signing key file where there is none",
		Long: `Makes the Ed25519 key that signs tokens, in --key-file or key.pem in the data folder, readable by you alone; one that is
there stays. 'serve' makes its own; the parts of a split server share one that is made beforehand. Whoever has the key
may do everything, in every org.

With --copy-from it is copied from another file, for platforms that mount secrets with more readers than a key may have.`,
		Example: `  strandline key --key-file key.pem
  strandline key --key-file /data/key.pem --copy-from /secret/key.pem`,
		Args: words,
		RunE: func(*cobra.Command, []string) error {
			if from != "" {
				if err := copyKey(from, a.keyFile()); err != nil {
					return err
				}
			}
			key, err := auth.LoadOrCreateKey(a.keyFile())
			if err != nil {
				return err
			}
			if a.json() {
				return a.printValue(map[string]string{"file": a.keyFile(), "id": key.ID()})
			}
			a.printf("%s holds the key %s\n", a.keyFile(), key.ID())
			return nil
		},
	}
	cmd.Flags().StringVar(&from, "copy-from", "", "copy the key from this `file`; another key is never overwritten")
	return cmd
}

// copyKey puts a copy of a key file where only its owner can read it.
func copyKey(from, to string) error {
	raw, err := os.ReadFile(from)
	if err != nil {
		return usagef("--copy-from: %v", err)
	}
	there, err := os.ReadFile(to)
	switch {
	case err == nil && bytes.Equal(raw, there):
		return nil
	case err == nil:
		return usagef("%s holds another key already", to)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	return writeWhole(to, raw, 0o600)
}
