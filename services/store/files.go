package store

import (
	"context"
	"errors"
	"io"
)

// What an adapter of Files answers, beside ErrNotFound.
var (
	// ErrTooLarge means: the content is larger than the limit.
	ErrTooLarge = errors.New("store: the content is larger than allowed")
	// ErrDamaged means: what is stored is not what was put.
	ErrDamaged = errors.New("store: the stored content is damaged")
)

// File says what content is.
type File struct {
	// SHA256 is the hash of the content in lower-case hexadecimal, and its name.
	SHA256 string
	// Size is its length in bytes.
	Size int64
}

// Files keeps content under its own hash, for each tenant apart: the same content
// put again is the same file, and nothing is ever changed. A tenant is a
// business's id (1 to 32 of a–z, 0–9 and -). Its methods may be called
// concurrently.
type Files interface {
	// Put stores what r yields to its end, at most limit bytes (ErrTooLarge), and
	// returns once it is durable. An error of r is returned and, like every other
	// one, leaves nothing behind; what a killed process leaves is removed before
	// the adapter is used again. Put mends a file that was damaged.
	Put(ctx context.Context, tenant string, r io.Reader, limit int64) (File, error)
	// Open opens a tenant's file, or ErrNotFound. Reading it ends with io.EOF only
	// where all that was read has the file's hash. Otherwise it ends with
	// ErrDamaged, before the content's last bytes: nobody can take what is damaged
	// for the whole.
	Open(ctx context.Context, tenant, sha256 string) (io.ReadCloser, File, error)
}
