package store

import "fmt"

// QuotaError is why a change was refused that makes more records than its business
// may keep. Only stores that count (package quota) answer it.
type QuotaError struct {
	// Owner is the business whose records are counted.
	Owner string
	// Kind is what the records are, in the plural, as people say it ("listings").
	Kind string
	// Limit is how many it may keep.
	Limit int
}

// Error says what cannot be kept, for people.
func (e *QuotaError) Error() string {
	return fmt.Sprintf("the business %s keeps %d %s, the most that it may", e.Owner, e.Limit, e.Kind)
}

// Unwrap makes it an ErrQuota.
func (*QuotaError) Unwrap() error { return ErrQuota }

// Counted is a kind of records of which one business may keep only so many.
type Counted struct {
	// Kind is the records' kind.
	Kind string
	// Name is what they are, in the plural, for people and flags.
	Name string
	// Limit is how many one business may keep; 0 for any number.
	Limit int
	// Owner says whose record it is where that is not the key's tenant; nil for the
	// tenant. It must not change while the record is there.
	Owner func(record Record) (string, error)
}
