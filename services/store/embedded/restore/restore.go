// Package restore makes the directories of servers from their backups. What is
// restored lies apart until it is whole, checked and synced, and gets its name
// then: nobody can start a server on half of it.
package restore

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"beltwright.example/services/platform/backup"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
)

// Side makes the directory of one side from its archive. The directory must be
// empty or missing. backup.ErrNoBackup, store.ErrNewer, store.ErrDamaged, or what
// the disk says.
func Side(ctx context.Context, archive io.Reader, dir string) (backup.Manifest, error) {
	var manifest backup.Manifest
	err := staged(dir, func(stage string) (err error) {
		manifest, err = unpack(ctx, archive, stage)
		return err
	})
	return manifest, err
}

// Set makes the data directory of a whole installation, with a folder for each
// side, from the directory of a backup. The data directory must be empty or
// missing. Errors are as for Side.
func Set(ctx context.Context, from, dir string) (backup.Set, error) {
	raw, err := os.ReadFile(filepath.Join(filepath.Clean(from), backup.SetName))
	if err != nil {
		return backup.Set{}, fmt.Errorf("restore: read the backup: %w", err)
	}
	set, err := backup.ParseSet(raw)
	if err != nil {
		return backup.Set{}, fmt.Errorf("restore %s: %w", from, err)
	}
	err = staged(dir, func(stage string) error {
		for _, archive := range set.Archives {
			if err := one(ctx, from, archive, filepath.Join(stage, archive.Side)); err != nil {
				return fmt.Errorf("restore %s: %w", filepath.Join(from, archive.FileName()), err)
			}
		}
		return nil
	})
	return set, err
}

// one unpacks an archive of a set and demands that it is the one that was taken.
func one(ctx context.Context, from string, archive backup.Archive, dir string) (err error) {
	file, err := os.Open(filepath.Join(filepath.Clean(from), archive.FileName()))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	sum := sha256.New()
	manifest, err := unpack(ctx, io.TeeReader(file, sum), dir)
	switch {
	case err != nil:
		return err
	case hex.EncodeToString(sum.Sum(nil)) != archive.SHA256:
		return fmt.Errorf("%w: its hash is not the one in %s", store.ErrDamaged, backup.SetName)
	case manifest.Side != archive.Side:
		return fmt.Errorf("%w: it is of the %s side", backup.ErrNoBackup, manifest.Side)
	}
	return nil
}

// unpack puts what an archive holds into a directory.
func unpack(ctx context.Context, archive io.Reader, dir string) (backup.Manifest, error) {
	return backup.Read(&mindful{ctx: ctx, from: archive}, &target{ctx: ctx, dir: dir})
}

// target puts what an archive holds where a server looks for it.
type target struct {
	ctx   context.Context //nolint:containedctx // lives for one archive
	dir   string
	shelf *files.Files
}

// Records implements backup.Target.
func (t *target) Records(from io.Reader) error { return embedded.Restore(from, t.dir) }

// File implements backup.Target.
func (t *target) File(tenant, sum string, size int64, from io.Reader) (err error) {
	if t.shelf == nil {
		if t.shelf, err = files.Open(filepath.Join(t.dir, files.Folder)); err != nil {
			return err
		}
	}
	got, err := t.shelf.Put(t.ctx, tenant, from, size)
	if err == nil && got != (store.File{SHA256: sum, Size: size}) {
		err = fmt.Errorf("file %s of %s: %w", sum, tenant, store.ErrDamaged)
	}
	return err
}

// staged fills a directory of another name beside dir, and gives it that name once
// it is whole.
func staged(dir string, fill func(stage string) error) error {
	dir = filepath.Clean(dir)
	if err := vacant(dir); err != nil {
		return err
	}
	parent := filepath.Dir(dir)
	if err := os.MkdirAll(parent, 0o700); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	stage, err := os.MkdirTemp(parent, "."+filepath.Base(dir)+"-restoring-*")
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	err = fill(stage)
	if err == nil {
		err = settle(stage, dir)
	}
	if err != nil {
		return errors.Join(err, os.RemoveAll(stage))
	}
	return nil
}

// settle gives a full stage its name, over a directory that is empty or missing: it
// fails where something was put into that meanwhile.
func settle(stage, dir string) error {
	if err := os.Remove(dir); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(stage, dir); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return errors.Join(syncFolder(dir), syncFolder(filepath.Dir(dir)))
}

// vacant demands a directory that is empty or missing.
func vacant(dir string) error {
	entries, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("restore: %w", err)
	case len(entries) > 0:
		return fmt.Errorf("restore: %s is not empty; give a directory that is empty or missing", dir)
	}
	return nil
}

// syncFolder makes the names in a folder durable.
func syncFolder(dir string) error {
	folder, err := os.Open(filepath.Clean(dir))
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if err := errors.Join(folder.Sync(), folder.Close()); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	return nil
}

// IsArchive tells an archive of package backup from a plain copy of a store's file,
// by the mark of a tar header (IEEE Std 1003.1, pax, "ustar Header Block": magic at
// offset 257). The reader then begins where from did.
func IsArchive(from io.Reader) (bool, io.Reader, error) {
	const at, mark = 257, "ustar"
	head := make([]byte, at+len(mark))
	n, err := io.ReadFull(from, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return false, nil, err
	}
	return bytes.HasSuffix(head, []byte(mark)), io.MultiReader(bytes.NewReader(head[:n]), from), nil
}

// mindful stops reading when its context ends.
type mindful struct {
	ctx  context.Context //nolint:containedctx // lives for one archive
	from io.Reader
}

// Read implements io.Reader.
func (m *mindful) Read(into []byte) (int, error) {
	if err := m.ctx.Err(); err != nil {
		return 0, err
	}
	return m.from.Read(into)
}
