package backup

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"beltwright.example/services/store"
)

// SetName is the file of a backup's directory that lists its archives.
const SetName = "backup.json"

// Set lists the archives of one backup: of every side, in the order in which they
// were taken.
type Set struct {
	// Form is the version of the set's layout.
	Form int `json:"form"`
	// Taken is when the backup began, by the clock of whoever took it.
	Taken time.Time `json:"taken"`
	// Archives are the sides.
	Archives []Archive `json:"archives"`
}

// Archive is one side's archive in a set.
type Archive struct {
	// Side is Fitment or Quote.
	Side string `json:"side"`
	// SHA256 is the archive's hash in lower-case hexadecimal.
	SHA256 string `json:"sha256"`
	// Size is its length in bytes.
	Size int64 `json:"size"`
	// Revision is the place of the store that its records are of.
	Revision string `json:"revision"`
	// Files counts the photos and documents in it.
	Files int64 `json:"files"`
}

// FileName is the archive's in the set's directory.
func (a Archive) FileName() string { return a.Side + ".tar" }

// Order is the order in which the sides are backed up. What the quote side refers
// to, a hold or a sale, was acknowledged by the fitment side before the quote side
// wrote it down. So a copy of the fitment side that is taken later has all that
// the copy of the quote side refers to; taken earlier, it would lack the newest. A
// hold that no quote knows of is harmless: it runs out.
func Order() []string { return []string{Quote, Fitment} }

// NewSet is a set of archives.
func NewSet(taken time.Time, archives ...Archive) Set {
	return Set{Form: form, Taken: taken.UTC(), Archives: archives}
}

// Bytes is the set as its file.
func (s Set) Bytes() ([]byte, error) {
	raw, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("backup: write the set: %w", err)
	}
	return append(raw, '\n'), nil
}

// ParseSet reads a set's file; ErrNoBackup where it lists no backup of both sides
// in their order, store.ErrNewer where a later release wrote it.
func ParseSet(raw []byte) (Set, error) {
	var set Set
	if err := json.Unmarshal(raw, &set); err != nil {
		return Set{}, fmt.Errorf("%w: %s: %w", ErrNoBackup, SetName, err)
	}
	if set.Form > form {
		return Set{}, fmt.Errorf("%w (set of form %d; this release reads up to %d)", store.ErrNewer, set.Form, form)
	}
	if set.Form < 1 {
		return Set{}, fmt.Errorf("%w: %s says form %d", ErrNoBackup, SetName, set.Form)
	}
	sides := make([]string, 0, len(set.Archives))
	for _, a := range set.Archives {
		sides = append(sides, a.Side)
		raw, err := hex.DecodeString(a.SHA256)
		if err != nil || len(raw) != 32 || a.Size < 0 {
			return Set{}, fmt.Errorf("%w: %s: hash or size of side %.60q", ErrNoBackup, SetName, a.Side)
		}
	}
	if !slices.Equal(sides, Order()) {
		return Set{}, fmt.Errorf("%w: %s lists %.120q; expected %s", ErrNoBackup, SetName, sides, strings.Join(Order(), ", then "))
	}
	return set, nil
}
