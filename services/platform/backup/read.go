package backup

import (
	"archive/tar"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// ErrNoBackup means: this is no archive of this package, or not the whole of one.
var ErrNoBackup = errors.New("backup: no whole backup")

// maxManifest bounds a manifest, in bytes: the names of some 100,000 damaged files.
const maxManifest = 16 << 20

// Target takes what an archive holds.
type Target interface {
	// Records takes the copy of the records, which comes first and once.
	Records(from io.Reader) error
	// File takes a photo or document. Whether its SHA-256 is sum, its name, is for the
	// target to find out.
	File(tenant, sum string, size int64, from io.Reader) error
}

// Read reads an archive to its end and hands what it holds to the target. What
// comes back without an error was whole; until then the target holds nothing that
// may be used. ErrNoBackup, store.ErrNewer, an error of r or one of the target.
func Read(r io.Reader, to Target) (Manifest, error) {
	archive := tar.NewReader(r)
	first, err := next(archive)
	if err != nil {
		return Manifest{}, err
	}
	if first.Name != recordsName {
		return Manifest{}, fmt.Errorf("%w: it begins with %.60q instead of %s", ErrNoBackup, first.Name, recordsName)
	}
	if err := to.Records(archive); err != nil {
		return Manifest{}, err
	}
	var files int64
	for last := (name{}); ; files++ {
		header, err := next(archive)
		if err != nil {
			return Manifest{}, err
		}
		if header.Name == manifestName {
			return finish(r, archive, files)
		}
		file, ok := fileName(header.Name)
		if !ok || !last.before(file) {
			return Manifest{}, fmt.Errorf("%w: %.120q is no file's name, or out of its place", ErrNoBackup, header.Name)
		}
		last = file
		if err := to.File(file.tenant, file.sum, header.Size, archive); err != nil {
			return Manifest{}, err
		}
	}
}

// next begins the archive's next member, which must be a plain file.
func next(archive *tar.Reader) (*tar.Header, error) {
	header, err := archive.Next()
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return nil, fmt.Errorf("%w: it ends before its manifest", ErrNoBackup)
	case errors.Is(err, tar.ErrHeader), errors.Is(err, tar.ErrFieldTooLong):
		return nil, fmt.Errorf("%w: %w", ErrNoBackup, err)
	case err != nil:
		return nil, err
	case header.Typeflag != tar.TypeReg:
		return nil, fmt.Errorf("%w: %.120q is no plain file", ErrNoBackup, header.Name)
	}
	return header, nil
}

// name is that of a file. Files come in order of tenant and hash, each once.
type name struct{ tenant, sum string }

func (n name) before(other name) bool {
	return cmp.Or(strings.Compare(n.tenant, other.tenant), strings.Compare(n.sum, other.sum)) < 0
}

// fileName takes the name of a member apart.
func fileName(member string) (name, bool) {
	rest, ok := strings.CutPrefix(member, filesPrefix)
	if !ok {
		return name{}, false
	}
	tenant, sum, ok := strings.Cut(rest, "/")
	raw, err := hex.DecodeString(sum)
	return name{tenant, sum}, ok && err == nil && len(raw) == sha256.Size && hex.EncodeToString(raw) == sum && identity.ValidTenant(tenant)
}

// finish reads the manifest, compares it with what came, and demands that nothing
// follows.
func finish(r io.Reader, archive *tar.Reader, files int64) (Manifest, error) {
	raw, err := io.ReadAll(io.LimitReader(archive, maxManifest+1))
	if err != nil {
		return Manifest{}, fmt.Errorf("%w: manifest: %w", ErrNoBackup, err)
	}
	manifest, err := parseManifest(raw)
	switch {
	case err != nil:
		return Manifest{}, err
	case manifest.Files != files:
		return Manifest{}, fmt.Errorf("%w: %d files came, the manifest says %d", ErrNoBackup, files, manifest.Files)
	}
	if _, err := archive.Next(); !errors.Is(err, io.EOF) {
		return Manifest{}, fmt.Errorf("%w: something follows the manifest", ErrNoBackup)
	}
	if _, err := io.Copy(io.Discard, r); err != nil { // so that whoever hashes what is read has all of it
		return Manifest{}, err
	}
	return manifest, nil
}

func parseManifest(raw []byte) (Manifest, error) {
	var manifest Manifest
	if len(raw) > maxManifest {
		return Manifest{}, fmt.Errorf("%w: the manifest is larger than %d bytes", ErrNoBackup, maxManifest)
	}
	if err := json.Unmarshal(raw, &manifest); err != nil {
		return Manifest{}, fmt.Errorf("%w: manifest: %w", ErrNoBackup, err)
	}
	_, err := revision.Parse(manifest.Revision)
	switch {
	case manifest.Form > form:
		return Manifest{}, fmt.Errorf("%w (backup of form %d; this release reads up to %d)", store.ErrNewer, manifest.Form, form)
	case manifest.Form < 1:
		return Manifest{}, fmt.Errorf("%w: the manifest says form %d", ErrNoBackup, manifest.Form)
	case manifest.Side != Fitment && manifest.Side != Quote:
		return Manifest{}, fmt.Errorf("%w: of side %.60q; expected %s or %s", ErrNoBackup, manifest.Side, Fitment, Quote)
	case err != nil:
		return Manifest{}, fmt.Errorf("%w: manifest: %w", ErrNoBackup, err)
	}
	return manifest, nil
}
