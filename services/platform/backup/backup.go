// Package backup writes the archive that a backup of one side is, and reads it
// back. It is a tar file (IEEE Std 1003.1, pax, "ustar and pax interchange
// formats") with, in this order:
//
//	store.db               the records, as the store's adapter copies them
//	files/TENANT/SHA256    each photo and document, where the side has any
//	manifest.json          what the archive holds
//
// The records are copied before the files are listed. A file is durable before a
// record names it, and no file is ever removed, so whatever the records name is
// there. The manifest comes last: an archive that was cut short has none and is
// refused.
package backup

import (
	"archive/tar"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"

	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// The sides that are backed up, each with a store of its own.
const (
	Fitment = "fitment"
	Quote   = "quote"
)

// Names in an archive.
const (
	recordsName  = "store.db"
	filesPrefix  = "files/"
	manifestName = "manifest.json"
)

// form is the version of the archive's layout. It rises where a reader has to know
// of a change.
const form = 1

// Manifest says what an archive holds.
type Manifest struct {
	// Form is the version of the archive's layout.
	Form int `json:"form"`
	// Side is Fitment or Quote.
	Side string `json:"side"`
	// Revision is the place of the store that the records are of.
	Revision string `json:"revision"`
	// Files counts the photos and documents.
	Files int64 `json:"files"`
	// Damaged names those that were left out because what is stored is not what was
	// put, as TENANT/SHA256.
	Damaged []string `json:"damaged,omitempty"`
}

// Summary is a manifest together with what the archive as a whole is.
type Summary struct {
	Manifest

	// SHA256 is the hash of the archive.
	SHA256 [sha256.Size]byte
	// Size is its length in bytes.
	Size int64
}

// Shelf is a store of files that says what it has.
type Shelf interface {
	store.Files
	store.FileLister
}

// Source is what is backed up.
type Source struct {
	// Side is Fitment or Quote.
	Side string
	// Records is the store.
	Records store.BackerUp
	// Files are the side's photos and documents; nil where it has none.
	Files Shelf
}

// Write writes an archive. An error leaves half an archive behind, which Read
// refuses.
func (s Source) Write(ctx context.Context, w io.Writer) (Summary, error) {
	all := &counted{to: w, sum: sha256.New()}
	archive := tar.NewWriter(all)
	manifest := Manifest{Form: form, Side: s.Side}
	place, err := s.records(ctx, archive)
	if err != nil {
		return Summary{}, fmt.Errorf("back up the records: %w", err)
	}
	manifest.Revision = revision.Place(place)
	if s.Files != nil {
		if err := s.files(ctx, archive, &manifest); err != nil {
			return Summary{}, fmt.Errorf("back up the files: %w", err)
		}
	}
	raw, err := json.Marshal(manifest)
	if err == nil {
		err = member(archive, manifestName, int64(len(raw)))
	}
	if err == nil {
		_, err = archive.Write(raw)
	}
	if err = errors.Join(err, archive.Close()); err != nil {
		return Summary{}, fmt.Errorf("finish the backup: %w", err)
	}
	summary := Summary{Manifest: manifest, Size: all.n}
	all.sum.Sum(summary.SHA256[:0])
	return summary, nil
}

// member begins a member of the archive. It has no time and no owner: the same
// store gives the same archive.
func member(archive *tar.Writer, name string, size int64) error {
	return archive.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o600})
}

// records writes the copy of the records and tells of which place it is.
func (s Source) records(ctx context.Context, archive *tar.Writer) (store.Place, error) {
	snapshot, err := s.Records.BackUp(ctx)
	if err != nil {
		return store.Place{}, err
	}
	err = member(archive, recordsName, snapshot.Size)
	if err == nil {
		_, err = io.Copy(archive, &mindful{ctx: ctx, from: snapshot.Content})
	}
	return snapshot.Place, errors.Join(err, snapshot.Content.Close())
}

// files writes every file that is whole.
func (s Source) files(ctx context.Context, archive *tar.Writer, manifest *Manifest) error {
	return s.Files.Each(ctx, func(tenant string, file store.File) error {
		err := s.read(ctx, tenant, file, io.Discard)
		if errors.Is(err, store.ErrDamaged) {
			manifest.Damaged = append(manifest.Damaged, tenant+"/"+file.SHA256)
			return nil
		}
		if err == nil {
			err = member(archive, filesPrefix+tenant+"/"+file.SHA256, file.Size)
		}
		if err == nil {
			err = s.read(ctx, tenant, file, archive)
		}
		manifest.Files++
		return err
	})
}

// read copies a file to w. A file is read twice: only at its end is it known
// whether it is whole, and by then the archive would hold it.
func (s Source) read(ctx context.Context, tenant string, file store.File, w io.Writer) error {
	from, _, err := s.Files.Open(ctx, tenant, file.SHA256)
	if err != nil {
		return err
	}
	n, err := io.Copy(w, from)
	if err == nil && n != file.Size {
		err = fmt.Errorf("file %s of %s: it grew to %d bytes from %d while it was read", file.SHA256, tenant, n, file.Size)
	}
	return errors.Join(err, from.Close())
}

// counted writes on, and counts and hashes what it writes.
type counted struct {
	to  io.Writer
	n   int64
	sum hash.Hash
}

// Write implements io.Writer.
func (c *counted) Write(part []byte) (int, error) {
	n, err := c.to.Write(part)
	c.n += int64(n)
	_, _ = c.sum.Write(part[:n]) // a hash never fails
	return n, err
}

// mindful stops reading when its context ends.
type mindful struct {
	ctx  context.Context //nolint:containedctx // lives for one copy
	from io.Reader
}

// Read implements io.Reader.
func (m *mindful) Read(into []byte) (int, error) {
	if err := m.ctx.Err(); err != nil {
		return 0, err
	}
	return m.from.Read(into)
}
