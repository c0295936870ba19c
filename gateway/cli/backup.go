package cli

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/backup"
)

// backupTime bounds the copying of one side. Where nothing else is set, a server closes
// a connection sooner (serve.Config.MaxConnectionAge and its grace): ten minutes are safe.
const backupTime = time.Hour

func backupCommand(c *connection) *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "backup",
		Short: "Copy everything that a running server keeps",
		Long: `Backup writes a new directory with an archive of each side: the records and, of the
fitment side, the photos and documents. The server goes on meanwhile; what it had
acknowledged before is in the backup. Each archive is read back and its hash compared
before the directory gets its name. "beltwright store restore" makes a data directory
of it.

A server keeps a connection for ten minutes after it has aged, so each side has to be
copied within that; run the command close to the server where there is much to copy.

The quote side is copied first. A quote refers to holds that were taken before, and
so a later copy of the fitment side has them all.

Only an operator may do this: a backup holds every business's records. It can be read
by whoever has the directory; keep it where only you can.`,
		Example: "  beltwright backup -o /var/backups/beltwright-monday",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			began := time.Now()
			if out == "" {
				out = "beltwright-backup-" + began.UTC().Format("20060102T150405Z")
			}
			return c.backUp(cmd, out, began)
		},
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "`directory` to make, which must not exist (default by the time)")
	return cmd
}

// backUp fills a directory of another name and gives it its own once it is whole.
func (c *connection) backUp(cmd *cobra.Command, out string, began time.Time) (err error) {
	if _, err := os.Lstat(out); err == nil {
		return fmt.Errorf("%s exists, and no backup is overwritten; name another directory with --out", out)
	}
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	out = filepath.Clean(out)
	stage, err := os.MkdirTemp(filepath.Dir(out), "."+filepath.Base(out)+"-unfinished-*") // mode 0700
	if err != nil {
		return fmt.Errorf("make the backup's directory: %w", err)
	}
	set, err := fillSet(ctx, cmd, conn, stage, began)
	if err == nil {
		err = os.Rename(stage, out)
	}
	if err == nil {
		err = syncFolder(filepath.Dir(out))
	}
	if err != nil {
		return errors.Join(err, os.RemoveAll(stage))
	}
	p := &printer{out: cmd.OutOrStdout()}
	for _, a := range set.Archives {
		p.linef("%-8s %s, %d bytes, %s, SHA-256 %s", a.Side, a.FileName(), a.Size, fileCount(a.Files), a.SHA256)
	}
	p.linef("backed up to %s", out)
	return p.err
}

// fillSet writes an archive of each side and what they are.
func fillSet(ctx context.Context, cmd *cobra.Command, conn *sides, dir string, began time.Time) (backup.Set, error) {
	set := backup.NewSet(began)
	for _, side := range backup.Order() {
		archive, damaged, err := copySide(ctx, cmd, conn, side, dir)
		if err != nil {
			return set, fmt.Errorf("back up the %s side: %w", side, err)
		}
		for _, name := range damaged {
			if _, err := fmt.Fprintf(cmd.ErrOrStderr(), "beltwright: %s is damaged in the server's store and not in the backup; whoever has it can upload it again\n", name); err != nil {
				return set, err
			}
		}
		set.Archives = append(set.Archives, archive)
	}
	raw, err := set.Bytes()
	if err != nil {
		return set, err
	}
	_, err = keepFile(filepath.Join(dir, backup.SetName), func(w io.Writer) error {
		_, err := w.Write(raw)
		return err
	})
	return set, errors.Join(err, syncFolder(dir))
}

// copySide writes one side's archive, reads it back, and names the files that the
// side could not give.
func copySide(ctx context.Context, cmd *cobra.Command, conn grpc.ClientConnInterface, side, dir string) (backup.Archive, []string, error) {
	ctx, cancel := context.WithTimeout(ctx, backupTime)
	defer cancel()
	archive := backup.Archive{Side: side}
	receive, err := backupStream(ctx, conn, side)
	if err != nil {
		return archive, nil, err
	}
	path := filepath.Join(dir, archive.FileName())
	var said *fitmentv1.BackUpSummary
	archive.Size, err = keepFile(path, func(w io.Writer) (err error) {
		if bar := progress(cmd.ErrOrStderr(), -1, "copying the "+side+" side"); bar != nil {
			w = io.MultiWriter(w, bar)
			defer func() { err = errors.Join(err, bar.Finish()) }()
		}
		said, err = receiveArchive(receive, w)
		return err
	})
	if err != nil {
		return archive, nil, err
	}
	manifest, sum, err := verify(path)
	switch {
	case err != nil:
		return archive, nil, fmt.Errorf("read the archive back: %w", err)
	case sum != [sha256.Size]byte(said.GetSha256()) || archive.Size != said.GetSize() || manifest.Side != side:
		return archive, nil, fmt.Errorf("the archive was changed on its way or on the disk: %d bytes of SHA-256 %x, sent were %d of %x", archive.Size, sum, said.GetSize(), said.GetSha256())
	}
	archive.SHA256, archive.Revision, archive.Files = hex.EncodeToString(sum[:]), manifest.Revision, manifest.Files
	return archive, manifest.Damaged, nil
}

// pieceOrSummary receives a message of a backup: a piece of the archive or, as the
// last one, what it holds.
type pieceOrSummary func() ([]byte, *fitmentv1.BackUpSummary, error)

// backupStream begins the backup of a side.
func backupStream(ctx context.Context, conn grpc.ClientConnInterface, side string) (pieceOrSummary, error) {
	if side == backup.Quote {
		stream, err := quotev1.NewBackupServiceClient(conn).BackUp(ctx, &quotev1.BackUpRequest{})
		if err != nil {
			return nil, err
		}
		return func() ([]byte, *fitmentv1.BackUpSummary, error) {
			message, err := stream.Recv()
			var summary *fitmentv1.BackUpSummary
			if s := message.GetSummary(); s != nil {
				summary = &fitmentv1.BackUpSummary{Sha256: s.GetSha256(), Size: s.GetSize(), Revision: s.GetRevision(), Files: s.GetFiles()}
			}
			return message.GetChunk(), summary, err
		}, nil
	}
	stream, err := fitmentv1.NewBackupServiceClient(conn).BackUp(ctx, &fitmentv1.BackUpRequest{})
	if err != nil {
		return nil, err
	}
	return func() ([]byte, *fitmentv1.BackUpSummary, error) {
		message, err := stream.Recv()
		return message.GetChunk(), message.GetSummary(), err
	}, nil
}

// receiveArchive writes pieces until the summary comes.
func receiveArchive(receive pieceOrSummary, w io.Writer) (*fitmentv1.BackUpSummary, error) {
	for {
		piece, summary, err := receive()
		switch {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the server sent no summary, so the archive may be cut short")
		case err != nil:
			return nil, err
		case summary != nil && len(summary.GetSha256()) != sha256.Size:
			return nil, errors.New("the server's summary has no SHA-256")
		case summary != nil:
			return summary, nil
		}
		if _, err := w.Write(piece); err != nil {
			return nil, err
		}
	}
}

// verify reads an archive from the disk: that it is whole, and its hash.
func verify(path string) (manifest backup.Manifest, sum [sha256.Size]byte, err error) {
	file, err := os.Open(path) //nolint:gosec // a file that was just written
	if err != nil {
		return manifest, sum, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	hashed := sha256.New()
	manifest, err = backup.Read(io.TeeReader(file, hashed), discarded{})
	hashed.Sum(sum[:0])
	return manifest, sum, err
}

// discarded is a backup.Target that keeps nothing.
type discarded struct{}

// Records implements backup.Target.
func (discarded) Records(from io.Reader) error {
	_, err := io.Copy(io.Discard, from)
	return err
}

// File implements backup.Target. The archive's hash covers the file's.
func (discarded) File(_, _ string, _ int64, from io.Reader) error {
	_, err := io.Copy(io.Discard, from)
	return err
}

// keepFile writes a new file and syncs it. It returns the file's size.
func keepFile(path string, write func(w io.Writer) error) (int64, error) {
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600) //nolint:gosec // in a directory of our own
	if err != nil {
		return 0, err
	}
	err = write(file)
	if err == nil {
		err = file.Sync()
	}
	info, statErr := file.Stat()
	if err = errors.Join(err, statErr, file.Close()); err != nil {
		return 0, err
	}
	return info.Size(), nil
}

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	folder, err := os.Open(dir) //nolint:gosec // a folder that the user named
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// fileCount counts photos and documents in words.
func fileCount(n int64) string {
	if n == 1 {
		return "1 photo or document"
	}
	return fmt.Sprintf("%d photos and documents", n)
}
