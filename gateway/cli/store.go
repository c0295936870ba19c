package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

func storeCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "store",
		Short:   "Check or restore the data directory of a stopped server",
		Long:    "Store works on the directory of one service (fitment or quote, in the data directory) while no server has it open.",
		Example: "  beltwright store check beltwright-data/fitment",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	check := &cobra.Command{
		Use: "check DIRECTORY", Short: "Examine a store",
		Long:    "Check examines the pages of the store's file and that its indexes say the same as its records.",
		Example: "  beltwright store check beltwright-data/fitment",
		Args:    arguments("DIRECTORY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			contents, err := embedded.Check(args[0])
			switch {
			case errors.Is(err, store.ErrInUse):
				return fmt.Errorf("a server has %s open; stop it first", args[0])
			case errors.Is(err, fs.ErrNotExist):
				return fmt.Errorf("there is no store in %s; expected the directory of one service, such as beltwright-data/fitment", args[0])
			case err != nil:
				return fmt.Errorf("%s is damaged: %w", args[0], err)
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "sound: %d records, %d request ids, version %d\n", contents.Records, contents.Requests, contents.Version)
			return err
		},
	}
	restore := &cobra.Command{
		Use: "restore BACKUP DIRECTORY", Short: "Make a store from a copy of one",
		Long:    "Restore makes a new store directory from a copy of a store's file. The directory must be empty or missing.",
		Example: "  beltwright store restore fitment-backup beltwright-data/fitment",
		Args:    arguments("BACKUP", "DIRECTORY"),
		RunE: func(cmd *cobra.Command, args []string) (err error) {
			backup, err := os.Open(args[0])
			if err != nil {
				return fmt.Errorf("open the backup: %w", err)
			}
			defer func() { err = errors.Join(err, backup.Close()) }()
			if err := embedded.Restore(backup, args[1]); err != nil {
				return fmt.Errorf("restore %s: %w", args[1], err)
			}
			_, err = fmt.Fprintln(cmd.OutOrStdout(), "restored "+args[1])
			return err
		},
	}
	cmd.AddCommand(check, restore)
	return cmd
}
