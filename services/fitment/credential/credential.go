// Package credential makes and reads the credentials that this project hands out:
// "<prefix>_<business>_<id>_<secret>", where the prefix says of what kind it is and
// the secret is 256 random bits, of which only a keyed digest is kept. A slow hash
// would add nothing to such a secret and would let strangers keep the server busy.
package credential

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strings"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

const (
	// idLength is the length of a public id, in base32 characters.
	idLength = 12
	idBytes  = 8
	// secretBytes is the length of a secret: 256 bit.
	secretBytes = 32
)

// ErrFormat says that a text is no credential of the kind.
var ErrFormat = errors.New("credential: not of the form <prefix>_<business>_<id>_<secret>")

// Credential is a credential's text, taken apart.
type Credential struct {
	// Prefix says of what kind it is.
	Prefix string
	// Tenant is the business that it says it belongs to.
	Tenant string
	// ID is the public id: 12 characters of lower-case base32.
	ID string
	// Secret is what proves it: 256 random bits.
	Secret [secretBytes]byte
}

var (
	idEncoding     = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)
	secretEncoding = base64.RawURLEncoding.Strict()
)

// Parse takes a text apart. It only looks at the form, which one text has for each
// credential; ErrFormat where it is wrong or the prefix is another one.
func Parse(prefix, text string) (Credential, error) {
	// The secret may contain underscores; the parts before it cannot.
	parts := strings.SplitN(text, "_", 4)
	if len(parts) != 4 || parts[0] != prefix || !identity.ValidTenant(parts[1]) || !ValidID(parts[2]) {
		return Credential{}, ErrFormat
	}
	c := Credential{Prefix: prefix, Tenant: parts[1], ID: parts[2]}
	if len(parts[3]) != secretEncoding.EncodedLen(secretBytes) {
		return Credential{}, ErrFormat
	}
	// The decoder skips line ends, which no credential contains.
	if n, err := secretEncoding.Decode(c.Secret[:], []byte(parts[3])); err != nil || n != secretBytes {
		return Credential{}, ErrFormat
	}
	return c, nil
}

// Text puts a credential together.
func (c Credential) Text() string {
	return strings.Join([]string{c.Prefix, c.Tenant, c.ID, secretEncoding.EncodeToString(c.Secret[:])}, "_")
}

// String is the credential without its secret, fit for a log.
func (c Credential) String() string { return c.Prefix + "_" + c.Tenant + "_" + c.ID + "_…" }

// GoString is String: no verb prints the secret by accident.
func (c Credential) GoString() string { return c.String() }

// ValidID tells whether a text is a public id.
func ValidID(id string) bool {
	if len(id) != idLength {
		return false
	}
	for _, c := range []byte(id) {
		if (c < 'a' || c > 'z') && (c < '2' || c > '7') {
			return false
		}
	}
	return true
}

// Mint draws a new credential; random nil means crypto/rand.
func Mint(prefix, tenant string, random io.Reader) (Credential, error) {
	if random == nil {
		random = rand.Reader
	}
	raw := make([]byte, idBytes+secretBytes)
	if _, err := io.ReadFull(random, raw); err != nil {
		return Credential{}, fmt.Errorf("credential: draw: %w", err)
	}
	c := Credential{Prefix: prefix, Tenant: tenant, ID: idEncoding.EncodeToString(raw[:idBytes])[:idLength]}
	copy(c.Secret[:], raw[idBytes:])
	return c, nil
}

// Where peppers lie.
const (
	// PepperKind is the kind of the records that hold peppers.
	PepperKind = "pepper"
	// Common is the tenant of what belongs to nobody; no credential can be its own.
	Common = "common"
)

// Pepper is the key of digests. It is drawn for each store and kind of credential, so
// that digests of two never compare.
type Pepper []byte

// OpenPepper returns the pepper of a kind of credentials, drawing and keeping it at
// the first start; random nil means crypto/rand.
func OpenPepper(ctx context.Context, records store.Store, id string, random io.Reader) (Pepper, error) {
	if random == nil {
		random = rand.Reader
	}
	key := store.Key{Tenant: Common, Kind: PepperKind, ID: id}
	found, err := records.Get(ctx, key)
	if errors.Is(err, store.ErrNotFound) {
		fresh := make([]byte, sha256.Size)
		if _, err := io.ReadFull(random, fresh); err != nil {
			return nil, fmt.Errorf("credential: draw the pepper: %w", err)
		}
		applied, err := records.Apply(ctx, store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: fresh}}})
		if err != nil {
			return nil, fmt.Errorf("credential: keep the pepper: %w", err)
		}
		// Whoever else starts at the same moment may win; its pepper counts.
		if err := applied[0].Err; err != nil && !errors.Is(err, store.ErrConflict) {
			return nil, fmt.Errorf("credential: keep the pepper: %w", err)
		}
		found, err = records.Get(ctx, key)
		if err != nil {
			return nil, fmt.Errorf("credential: read the pepper: %w", err)
		}
	} else if err != nil {
		return nil, fmt.Errorf("credential: read the pepper: %w", err)
	}
	if len(found.Value) != sha256.Size {
		return nil, fmt.Errorf("credential: the pepper has %d bytes, not %d", len(found.Value), sha256.Size)
	}
	return found.Value, nil
}

// Digest is the HMAC-SHA-256 of a credential under the pepper. Business and id are
// part of it, so that a record moved to another name proves nothing.
func (p Pepper) Digest(c Credential) []byte {
	mac := hmac.New(sha256.New, p)
	mac.Write([]byte(c.Tenant + "\x00" + c.ID + "\x00"))
	mac.Write(c.Secret[:])
	return mac.Sum(nil)
}

// Proves tells, in constant time, whether a credential is the one of a digest.
func (p Pepper) Proves(c Credential, digest []byte) bool { return hmac.Equal(digest, p.Digest(c)) }
