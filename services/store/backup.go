package store

import (
	"context"
	"io"
)

// Snapshot is a copy of all records as they were at one place.
type Snapshot struct {
	// Place is where the store stood.
	Place Place
	// Size is the length of the copy, in bytes.
	Size int64
	// Content yields the copy, in a form that the adapter restores. The caller
	// closes it.
	Content io.ReadCloser
}

// BackerUp is what an adapter of Store offers beside it where it can be copied
// while it is in use. Decorators of a Store need not pass it through: whoever puts
// a process together has the adapter.
type BackerUp interface {
	// BackUp takes a copy: everything that was acknowledged before the call, and of
	// what comes later whole changes only. Changes go on while it is taken, and how
	// slowly it is read afterwards holds nobody up.
	BackUp(ctx context.Context) (Snapshot, error)
}

// FileLister is what an adapter of Files offers beside it: which files there are.
type FileLister interface {
	// Each calls do for every file, ordered by tenant and hash, and ends with the
	// first error of do. A file that was put before the call comes; one that is put
	// meanwhile may.
	Each(ctx context.Context, do func(tenant string, file File) error) error
}
