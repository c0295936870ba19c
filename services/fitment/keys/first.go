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
	// Replace makes a new key where the file is lost or its key no longer works,
	// although the tenant has keys. Without it a lost file stays lost: an
	// operator's key must not come back by itself.
	Replace bool
}

// EnsureFirst sees to it that the tenant has a key. It returns the text of the
// key in the file, or of the one that it made; or "" where the tenant has keys but no
// file tells one. A file that holds something else than a key is an error and left
// alone.
func (s *Store) EnsureFirst(ctx context.Context, first First) (string, error) {
	if first.Path == "" && first.Tell == nil {
		return "", errors.New("keys: no key file is named; expected the path of a file to write the key to, or somebody to tell it")
	}
	if first.Path != "" {
		text, err := s.keyInFile(ctx, first)
		if err != nil || text != "" {
			return text, err
		}
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
	// would keep the next start from making one.
	if first.Path == "" {
		err = first.Tell(text)
	} else {
		err = writeSecret(first.Path, text+"\n")
	}
	if err != nil {
		return "", fmt.Errorf("keys: hand the key out: %w", err)
	}
	if err := s.put(ctx, draft.Put.Key, draft.Put.Value); err != nil {
		return "", fmt.Errorf("keys: keep %v: %w", draft.Secret, err)
	}
	return text, nil
}

// keyInFile returns the file's key, its mode mended, where it works; "" where
// there is no file or its key does not work.
func (s *Store) keyInFile(ctx context.Context, first First) (string, error) {
	text, err := readSecret(first.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("keys: read the key file: %w", err)
	}
	if _, err := Parse(text); err != nil && text != "" {
		return "", fmt.Errorf("keys: %s holds something else than a key; move it away or name another file", first.Path)
	}
	if err := os.Chmod(first.Path, secretMode); err != nil {
		return "", fmt.Errorf("keys: %w", err)
	}
	principal, err := s.Verify(ctx, text)
	switch {
	case err == nil && principal.Tenant == first.Tenant:
		return text, nil
	case err == nil || status.Code(err) == codes.Unauthenticated:
		return "", nil
	}
	return "", err
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
