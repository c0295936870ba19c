package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/embedded/restore"
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
		Long:    "Check examines the pages of the store's file, that its indexes say the same as its records, and that photos and documents are what was uploaded.",
		Example: "  beltwright store check beltwright-data/fitment",
		Args:    arguments("DIRECTORY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			contents, err := embedded.Check(args[0])
			switch {
			case errors.Is(err, store.ErrInUse):
				return fmt.Errorf("a server has %s open; stop it first", args[0])
			case errors.Is(err, fs.ErrNotExist):
				return fmt.Errorf("there is no store in %s; expected the directory of one service, such as %s", args[0], oneSide(args[0]))
			case err != nil:
				return fmt.Errorf("%s is damaged: %w", args[0], err)
			}
			kept, err := checkFiles(cmd.Context(), args[0])
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "sound: %d records, %d request ids, version %d, %s\n", contents.Records, contents.Requests, contents.Version, fileCount(kept))
			return err
		},
	}
	cmd.AddCommand(check, storeRestore())
	return cmd
}

// oneSide is an example of the directory of a service, inside the given one where that
// holds both.
func oneSide(dir string) string {
	if info, err := os.Stat(filepath.Join(dir, "fitment")); err == nil && info.IsDir() {
		return filepath.Join(dir, "fitment")
	}
	return filepath.Join(defaultData, "fitment")
}

// checkFiles reads every photo and document in the directory of a store, if it has any,
// and counts them; the error names those that are damaged, at most a screenful.
func checkFiles(ctx context.Context, dir string) (int64, error) {
	dir = filepath.Join(dir, files.Folder)
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return 0, nil // a quote service keeps none
	}
	shelf, err := files.Open(dir)
	if err != nil {
		return 0, err
	}
	var count int64
	var damaged []error
	err = shelf.Each(ctx, func(tenant string, file store.File) error {
		count++
		from, _, err := shelf.Open(ctx, tenant, file.SHA256)
		if err != nil {
			return err
		}
		_, err = io.Copy(io.Discard, from)
		if errors.Is(err, store.ErrDamaged) && len(damaged) < 20 {
			damaged, err = append(damaged, fmt.Errorf("%s/%s is damaged; whoever has it can upload it again", tenant, file.SHA256)), nil
		}
		return errors.Join(err, from.Close())
	})
	return count, errors.Join(append(damaged, err)...)
}

func storeRestore() *cobra.Command {
	return &cobra.Command{
		Use: "restore BACKUP DIRECTORY", Short: "Make a data directory from a backup",
		Long: `Restore makes a new data directory from what "beltwright backup" wrote, with a folder
for each side. From the archive of one side (fitment.tar, quote.tar), or a plain copy
of a stopped store's file, it makes the directory of that side.

The directory must be empty or missing, and gets its name only once everything in it
is whole. Keys, people and their passwords come back as they were; what was revoked
after the backup must be revoked again.`,
		Example: `  beltwright store restore /var/backups/beltwright-monday beltwright-data
  beltwright store restore /var/backups/beltwright-monday/fitment.tar beltwright-data/fitment`,
		Args: arguments("BACKUP", "DIRECTORY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			p := &printer{out: cmd.OutOrStdout()}
			if err := restoreInto(cmd.Context(), p, args[0], args[1]); err != nil {
				return err
			}
			p.linef("restored %s", args[1])
			return p.err
		},
	}
}

// restoreInto restores whatever the backup is.
func restoreInto(ctx context.Context, p *printer, from, dir string) (err error) {
	file, err := os.Open(from) //nolint:gosec // a backup that the user named
	if err != nil {
		return fmt.Errorf("open the backup: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	info, err := file.Stat()
	if err != nil {
		return fmt.Errorf("open the backup: %w", err)
	}
	if info.IsDir() {
		set, err := restore.Set(ctx, from, dir)
		if err != nil {
			return err
		}
		p.linef("backup of %s", localTime(set.Taken))
		return nil
	}
	archived, content, err := restore.IsArchive(file)
	if err != nil {
		return fmt.Errorf("read the backup: %w", err)
	}
	if !archived {
		if err := embedded.Restore(content, dir); err != nil {
			return fmt.Errorf("restore %s: %w", dir, err)
		}
		return nil
	}
	manifest, err := restore.Side(ctx, content, dir)
	if err != nil {
		return err
	}
	p.linef("archive of the %s side, %s", manifest.Side, fileCount(manifest.Files))
	return nil
}
