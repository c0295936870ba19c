// Package files keeps content in one directory of a local file system:
// {tenant}/{first two digits of the hash}/{hash}. What is being put lies in
// "unfinished" until it is complete and synced, and then gets its name, so a name
// never stands for half a file.
//
// The directory belongs to one process at a time. Where two have it, the second
// removes what the first is just putting, which then fails; nothing worse comes of
// it.
package files

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Folder is where a server keeps its files in the directory of its store.
const Folder = "files"

// unfinished is where content lies while it is put. No tenant's folder has this
// name: a tenant's begins with the mark.
const (
	unfinished = "unfinished"
	tenantMark = "of-"
)

// Files is the adapter of store.Files for one directory.
type Files struct {
	dir string
}

var _ store.Files = (*Files)(nil)

// Open makes the directory where there is none, and removes what earlier
// processes left unfinished.
func Open(dir string) (*Files, error) {
	if dir == "" {
		return nil, errors.New("files: the directory's name is empty")
	}
	f := &Files{dir: dir}
	if err := os.MkdirAll(f.path(unfinished), 0o700); err != nil {
		return nil, fmt.Errorf("files %s: cannot make the directory: %w", dir, err)
	}
	left, err := os.ReadDir(f.path(unfinished))
	if err != nil {
		return nil, fmt.Errorf("files %s: %w", dir, err)
	}
	for _, one := range left {
		if err := os.Remove(f.path(unfinished, one.Name())); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("files %s: remove what is unfinished: %w", dir, err)
		}
	}
	if err := sync(filepath.Dir(dir), dir, f.path(unfinished)); err != nil {
		return nil, fmt.Errorf("files %s: %w", dir, err)
	}
	return f, nil
}

func (f *Files) path(parts ...string) string {
	return filepath.Join(append([]string{f.dir}, parts...)...)
}

// folders are those that a tenant's file lies in, from the outside in.
func (f *Files) folders(tenant, sum string) []string {
	return []string{f.dir, f.path(tenantMark + tenant), f.path(tenantMark+tenant, sum[:2])}
}

// Put implements store.Files.
func (f *Files) Put(ctx context.Context, tenant string, r io.Reader, limit int64) (stored store.File, err error) {
	if !identity.ValidTenant(tenant) {
		return store.File{}, fmt.Errorf("files: %q is no business's id", tenant)
	}
	part, err := os.CreateTemp(f.path(unfinished), "put-") // mode 0600
	if err != nil {
		return store.File{}, fmt.Errorf("files %s: %w", f.dir, err)
	}
	defer func() {
		if gone := os.Remove(part.Name()); gone != nil && !errors.Is(gone, fs.ErrNotExist) { // it has its name by then
			err = errors.Join(err, gone)
		}
	}()
	stored, err = fill(ctx, part, r, limit)
	if err := errors.Join(err, part.Close()); err != nil {
		return store.File{}, err
	}
	if err := f.publish(part.Name(), tenant, stored.SHA256); err != nil {
		return store.File{}, fmt.Errorf("files %s: %w", f.dir, err)
	}
	return stored, nil
}

// fill copies content into a file, syncs it, and says what it is.
func fill(ctx context.Context, part *os.File, r io.Reader, limit int64) (store.File, error) {
	sum := sha256.New()
	from := io.LimitReader(&mindful{ctx: ctx, from: r}, max(limit, 0)+1)
	size, err := io.Copy(io.MultiWriter(part, sum), from)
	switch {
	case err != nil:
		return store.File{}, err // as it came: a reader's error is its caller's
	case size > limit:
		return store.File{}, fmt.Errorf("%w: more than %d bytes", store.ErrTooLarge, limit)
	}
	if err := part.Sync(); err != nil {
		return store.File{}, fmt.Errorf("files: sync %d bytes: %w", size, err)
	}
	return store.File{SHA256: hex.EncodeToString(sum.Sum(nil)), Size: size}, nil
}

// publish gives a complete file its name, over one of the same name, which has the
// same content unless it was damaged.
func (f *Files) publish(part, tenant, sum string) error {
	folders := f.folders(tenant, sum)
	inner := folders[len(folders)-1]
	if err := os.MkdirAll(inner, 0o700); err != nil {
		return fmt.Errorf("make the file's folder: %w", err)
	}
	if err := os.Rename(part, filepath.Join(inner, sum)); err != nil {
		return fmt.Errorf("name the file: %w", err)
	}
	return sync(folders...)
}

// sync makes the names in folders durable. They are synced each time: another call
// may have made them just now, and not have come to that yet.
func sync(folders ...string) error {
	for _, folder := range folders {
		d, err := os.Open(filepath.Clean(folder))
		if err != nil {
			return fmt.Errorf("sync folder: %w", err)
		}
		if err := errors.Join(d.Sync(), d.Close()); err != nil {
			return fmt.Errorf("sync folder: %w", err)
		}
	}
	return nil
}

// Open implements store.Files.
func (f *Files) Open(ctx context.Context, tenant, sum string) (io.ReadCloser, store.File, error) {
	if err := ctx.Err(); err != nil {
		return nil, store.File{}, err
	}
	raw, err := hex.DecodeString(sum)
	if err != nil || len(raw) != sha256.Size || hex.EncodeToString(raw) != sum || !identity.ValidTenant(tenant) {
		return nil, store.File{}, fmt.Errorf("file %q of %q: %w", sum, tenant, store.ErrNotFound)
	}
	folders := f.folders(tenant, sum)
	file, err := os.Open(filepath.Clean(filepath.Join(folders[len(folders)-1], sum)))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, store.File{}, fmt.Errorf("file %s of %s: %w", sum, tenant, store.ErrNotFound)
	}
	if err != nil {
		return nil, store.File{}, fmt.Errorf("files %s: %w", f.dir, err)
	}
	info, err := file.Stat()
	if err != nil {
		return nil, store.File{}, errors.Join(fmt.Errorf("files %s: %w", f.dir, err), file.Close())
	}
	return &checked{file: file, from: &mindful{ctx: ctx, from: file}, sum: sha256.New(), want: sum}, store.File{SHA256: sum, Size: info.Size()}, nil
}

// block is how much of a file is read at once, and kept back until it is known
// that more follows or that all was right.
const block = 64 << 10

// checked reads a file and keeps back its last block until its hash is known.
type checked struct {
	file *os.File
	from io.Reader
	sum  hash.Hash
	want string

	ready []byte // may be handed out
	ahead []byte // read, but not to be handed out yet
	end   error  // what comes after ready, once known
}

// Read implements io.Reader.
func (c *checked) Read(into []byte) (int, error) {
	for len(c.ready) == 0 {
		if c.end != nil {
			return 0, c.end
		}
		c.advance()
	}
	n := copy(into, c.ready)
	c.ready = c.ready[n:]
	return n, nil
}

// advance reads the next block: what was kept back may then be handed out, unless
// it was the last and the hash is wrong.
func (c *checked) advance() {
	next := make([]byte, block)
	n, err := io.ReadFull(c.from, next)
	next = next[:n]
	_, _ = c.sum.Write(next) // a hash never fails
	switch {
	case err == nil:
		c.ready, c.ahead = c.ahead, next
	case !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF):
		c.end = fmt.Errorf("read file %s: %w", c.want, err)
	case hex.EncodeToString(c.sum.Sum(nil)) != c.want:
		c.end = fmt.Errorf("file %s: %w", c.want, store.ErrDamaged)
	default:
		c.ahead = append(c.ahead, next...)
		c.ready, c.end = c.ahead, io.EOF
	}
}

// Close implements io.Closer.
func (c *checked) Close() error {
	if err := c.file.Close(); err != nil {
		return fmt.Errorf("close file %s: %w", c.want, err)
	}
	return nil
}

// mindful stops reading when its context ends.
type mindful struct {
	ctx  context.Context //nolint:containedctx // lives for one call, or as long as one open file
	from io.Reader
}

// Read implements io.Reader.
func (m *mindful) Read(into []byte) (int, error) {
	if err := m.ctx.Err(); err != nil {
		return 0, err
	}
	return m.from.Read(into)
}
