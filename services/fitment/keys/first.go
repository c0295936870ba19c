package keys

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/identity"
)

// First says which key a start-up makes, and where its text goes.
type First struct {
	// Tenant is the business that the key belongs to. Where there is none of that
	// name, one that runs the deployment is made.
	Tenant string
	// Roles are the desks it may sit at.
	Roles []identity.Role
	// Path is the file that its text is written to, readable by its owner only; empty
	// where Tell is told instead.
	Path string
	// Tell is told the text of a key that is about to be made; nothing else ever is.
	// It is not asked for where there is a Path.
	Tell func(text string) error
	// Replace makes a new key where the file is lost or its key, being one of the
	// tenant's name, no longer works, although the tenant has keys. Without it a lost
	// file stays lost: an operator's key must not come back by itself.
	Replace bool
}

// unfinished is the end of the name of a file whose key may not be kept yet.
const unfinished = ".unfinished"

// Check tells whether a new store may hand its key out: whether the file, if there is
// one, may be overwritten. It changes nothing.
func (f First) Check() error {
	if f.Path == "" {
		return nil
	}
	text, err := readKey(f.Path)
	if err != nil {
		return err
	}
	return f.mayReplace(text)
}

// mayReplace refuses to overwrite a key that does not work here: it may be all that
// somebody has of another deployment's.
func (f First) mayReplace(text string) error {
	key, err := Parse(text)
	if text == "" || f.Replace && err == nil && key.Tenant == f.Tenant {
		return nil
	}
	return fmt.Errorf("keys: %s holds a key that does not work here, perhaps another deployment's, and is not overwritten; move it away or name another file", f.Path)
}

// EnsureFirst sees to it that the tenant has a key. It returns the text of the
// key in the file, or of the one that it made; or "" where the tenant has keys but no
// file tells one. A file that holds something else than a key, or one that does not
// work here, is never overwritten: that is an error where a key is to be made.
func (s *Store) EnsureFirst(ctx context.Context, first First) (string, error) {
	if first.Path == "" && first.Tell == nil {
		return "", errors.New("keys: no key file is named; expected the path of a file to write the key to, or somebody to tell it")
	}
	held := ""
	if first.Path != "" {
		text, works, err := s.keyInFiles(ctx, first)
		if err != nil || works {
			return text, err
		}
		held = text
	}
	if !first.Replace {
		known, err := s.records.List(ctx, first.Tenant, Kind, "", 1)
		if err != nil {
			return "", fmt.Errorf("keys: %w", err)
		}
		if len(known) > 0 {
			return "", nil
		}
	}
	if err := first.mayReplace(held); err != nil {
		return "", err
	}
	return s.MakeFirst(ctx, first)
}

// MakeFirst makes a key, whatever keys there are, and returns its text. Whoever has
// lost all keys of the business that runs the deployment makes one this way.
func (s *Store) MakeFirst(ctx context.Context, first First) (string, error) {
	now := s.now()
	draft, err := s.Draft(New{Business: first.Tenant, Roles: first.Roles, Label: "first key", Creator: Start}, now)
	if err != nil {
		return "", err
	}
	if err := s.businesses.Ensure(ctx, first.Tenant, true, now); err != nil {
		return "", fmt.Errorf("keys: %w", err)
	}
	text := draft.Secret.Text()
	// The text goes out first: a key that works but that nobody has written down
	// would keep the next start from making one. A file gets its name last, so that
	// one of that name always holds a key that was kept.
	if first.Path == "" {
		err = first.Tell(text)
	} else {
		err = writeSecret(first.Path+unfinished, text+"\n")
	}
	if err != nil {
		return "", fmt.Errorf("keys: hand the key out: %w", err)
	}
	if err := s.put(ctx, draft.Put.Key, draft.Put.Value); err != nil {
		return "", fmt.Errorf("keys: keep %v: %w", draft.Secret, err)
	}
	return text, first.finish()
}

// finish gives the file with the key its name.
func (f First) finish() error {
	if f.Path == "" {
		return nil
	}
	if err := os.Rename(f.Path+unfinished, f.Path); err != nil {
		return fmt.Errorf("keys: hand the key out: %w", err)
	}
	return nil
}

// keyInFiles returns the file's key, its mode mended, and whether it works; "" where
// there is none. A file that a start did not come to finish counts where its key was
// kept, and is finished.
func (s *Store) keyInFiles(ctx context.Context, first First) (text string, works bool, err error) {
	text, works, err = s.keyInFile(ctx, first.Path, first.Tenant)
	if err != nil || text != "" {
		return text, works, err
	}
	begun, works, err := s.keyInFile(ctx, first.Path+unfinished, first.Tenant)
	if err != nil || !works {
		return "", false, err
	}
	return begun, true, first.finish()
}

// keyInFile returns one file's key, its mode mended where it is the tenant's, and
// whether it works.
func (s *Store) keyInFile(ctx context.Context, path, tenant string) (text string, works bool, err error) {
	if text, err = readKey(path); err != nil || text == "" {
		return "", false, err
	}
	principal, err := s.Verify(ctx, text)
	switch {
	case err == nil && principal.Tenant == tenant:
		if err := os.Chmod(path, secretMode); err != nil {
			return "", false, fmt.Errorf("keys: %w", err)
		}
		return text, true, nil
	case err == nil || status.Code(err) == codes.Unauthenticated:
		return text, false, nil
	}
	return "", false, err
}

// readKey reads a file that holds nothing but a key; "" where there is none, or
// nothing in it.
func readKey(path string) (string, error) {
	text, err := readSecret(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("keys: read the key file: %w", err)
	}
	if _, err := Parse(text); err != nil && text != "" {
		return "", fmt.Errorf("keys: %s holds something else than a key; move it away or name another file", path)
	}
	return text, nil
}

const (
	secretMode = 0o600
	// longestFile is more than any key file has.
	longestFile = 512
)

func readSecret(path string) (string, error) {
	file, err := os.Open(path) //nolint:gosec // the operator names the file
	if err != nil {
		return "", err
	}
	defer file.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(io.LimitReader(file, longestFile))
	return strings.TrimSpace(string(raw)), err
}

// writeSecret puts the file in place whole, so that nobody reads half a key and
// its mode is right from the first byte.
func writeSecret(path, text string) error {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	file, err := os.CreateTemp(dir, ".key-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(file.Name()) //nolint:errcheck // gone where the rename succeeded
	_, err = file.WriteString(text)
	err = errors.Join(err, file.Sync(), file.Close())
	if err != nil {
		return err
	}
	return os.Rename(file.Name(), path)
}
