// Package store says what Beltwright asks of its storage: versioned records,
// changes that are atomic and durable once acknowledged, and a feed of what
// changed. Adapters live in the folders below; package storetest is the suite
// that every adapter passes.
package store

import (
	"context"
	"errors"
	"time"
)

// What an adapter answers. Adapters wrap them with %w, so callers use
// errors.Is.
var (
	// ErrNotFound means: there is no such record.
	ErrNotFound = errors.New("store: no such record")
	// ErrConflict means: a record is not at the version that a Put expects.
	ErrConflict = errors.New("store: the record has changed")
	// ErrTooLate means: store time has passed the change's NotAfter.
	ErrTooLate = errors.New("store: the time for this change has passed")
	// ErrRequestReused means: the request id was used with another fingerprint.
	ErrRequestReused = errors.New("store: the request id was used for another request")
	// ErrInUse means: another process has the directory open.
	ErrInUse = errors.New("store: another process is using this directory")
	// ErrClosed means: the store was closed.
	ErrClosed = errors.New("store: closed")
	// ErrBroken means: a write failed in a way that leaves open what is stored,
	// and the store has stopped. Every call fails from then on, until the store
	// is closed and opened again. Of the changes that were under way, some may
	// have happened: repeating them with their request ids finds out.
	ErrBroken = errors.New("store: stopped after a failed write; open it again")
	// ErrQuota means: a business keeps as many records of a kind as it may. Changes
	// fail with a QuotaError, which says of which kind and how many.
	ErrQuota = errors.New("store: no more records of this kind are kept")
	// ErrNewer means: a later release of the program wrote this, in a form that
	// this one cannot read.
	ErrNewer = errors.New("store: written by a newer release")
)

// Form is the version of the forms in which this release writes what records hold:
// the messages and JSON documents of all kinds together. Adapters keep it with
// each record, hand it back, and refuse records of a higher one with ErrNewer. It
// rises by one with the first change of a kind's form that a reader has to know of
// in order to read it right; new fields of a message that may be absent are no
// such change. Whoever reads a kind whose form has changed looks at Record.Form.
const Form = 1

// RequestIDTTL is how long a request id and its answer are kept at least.
const RequestIDTTL = 24 * time.Hour

// Limits on what a record may be; adapters refuse more.
const (
	// MaxKeyPart bounds each of Tenant, Kind and ID, in bytes. None may be
	// empty or contain a zero byte.
	MaxKeyPart = 200
	// MaxValue bounds a record's value, in bytes.
	MaxValue = 1 << 20
)

// Key names a record. The tenant is the business that owns it and stands in
// every stored key.
type Key struct {
	Tenant, Kind, ID string
}

// Record is a stored value. Version is the place of its last change in the
// store's sequence: it rises with every change of any record. Form is what Form
// was in the release that wrote it; 0 where that release noted none.
type Record struct {
	Key     Key
	Version int64
	Form    int
	Value   []byte
}

// Expectations other than an exact version.
const (
	// Absent means: the record must not exist yet.
	Absent int64 = 0
	// Whatever means: the record may be at any version or absent.
	Whatever int64 = -1
)

// Put replaces one record, which must be at version Expect (or Absent, or
// Whatever).
type Put struct {
	Key    Key
	Expect int64
	Value  []byte
}

// Change is one atomic step: all of its puts or none.
type Change struct {
	// Puts are applied together. None is allowed: the change then only stores
	// its answer.
	Puts []Put
	// Tenant, RequestID and Fingerprint make the change safe to repeat: a
	// second change of the same tenant and request id with the same
	// fingerprint changes nothing and answers like the first; with another
	// fingerprint it fails with ErrRequestReused. An empty RequestID switches
	// this off.
	Tenant, RequestID string
	Fingerprint       [32]byte
	// Answer is kept with the request id and handed back on a repeat.
	Answer []byte
	// NotAfter, where not zero, is compared with store time in the same step:
	// later than that, the change fails with ErrTooLate.
	NotAfter time.Time
}

// Applied is what became of one Change.
type Applied struct {
	// Versions holds the version of each put, in order.
	Versions []int64
	// Replayed is true where the request id was known; Versions and Answer are
	// then those of the first time.
	Replayed bool
	// Answer is the change's answer, or the first one's where Replayed.
	Answer []byte
	// Err is nil, ErrConflict, ErrTooLate, ErrRequestReused or why the change
	// is malformed. A failed change has no effect.
	Err error
}

// Place is a point in the store's sequence. Two stores, and one store restored
// to an earlier state, have different epochs; only places of one epoch compare.
type Place struct {
	Epoch   string
	Version int64
}

// Store keeps records. Its methods may be called concurrently. Returned byte
// slices belong to the caller.
type Store interface {
	// Get returns one record, or ErrNotFound.
	Get(ctx context.Context, key Key) (Record, error)
	// List returns at most limit records of one tenant and kind whose id is
	// above after, in id order (byte order).
	List(ctx context.Context, tenant, kind, after string, limit int) ([]Record, error)
	// Apply applies the changes in order, each atomically on its own: one that
	// fails (see Applied.Err) leaves the others alone. It returns when all that
	// it acknowledges are durable. An error of Apply itself means that nothing
	// is acknowledged: the changes may or may not have happened, and repeating
	// them with the same request ids is the way to find out.
	Apply(ctx context.Context, changes ...Change) ([]Applied, error)
	// Seen returns what the tenant's request id did before, with Replayed set;
	// the zero Applied where it is new; ErrRequestReused where the fingerprint
	// differs.
	Seen(ctx context.Context, tenant, requestID string, fingerprint [32]byte) (Applied, error)
	// Changes returns at most limit records whose version is above after, in
	// version order: each record once, as it is now. An answer may hold fewer
	// than limit although there are more, for instance because they are large:
	// only an empty answer means that there are none. Reading on from the last
	// version until nothing comes gives every record's latest state.
	Changes(ctx context.Context, after int64, limit int) ([]Record, error)
	// Wait returns when some record's version is above after, or with the
	// context's error.
	Wait(ctx context.Context, after int64) error
	// Place returns the place of the last change.
	Place(ctx context.Context) (Place, error)
	// Now returns store time, the time that NotAfter is compared with.
	Now(ctx context.Context) (time.Time, error)
	// Close ends the store; calls under way fail with ErrClosed or finish.
	Close() error
}
