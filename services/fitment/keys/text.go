package keys

import (
	"encoding/base32"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"strings"

	"beltwright.example/services/platform/identity"
)

// Parts of a key's text, "bw_<tenant>_<id>_<secret>".
const (
	// TextPrefix opens the text of every key.
	TextPrefix = "bw"
	prefix     = TextPrefix
	// idLength is the length of a key's public id, in base32 characters.
	idLength = 12
	idBytes  = 8
	// secretBytes is the length of a secret: 256 bit.
	secretBytes = 32
)

// ErrFormat says that a text is no key.
var ErrFormat = errors.New("keys: not of the form bw_<tenant>_<id>_<secret>")

// Key is a key's text, taken apart.
type Key struct {
	// Tenant is the business that the key says it belongs to.
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

// Parse takes a key's text apart. It only looks at the form, which one text
// has for each key; ErrFormat where it is wrong.
func Parse(text string) (Key, error) {
	// The secret may contain underscores; the parts before it cannot.
	parts := strings.SplitN(text, "_", 4)
	if len(parts) != 4 || parts[0] != prefix || !identity.ValidTenant(parts[1]) || !validID(parts[2]) {
		return Key{}, ErrFormat
	}
	key := Key{Tenant: parts[1], ID: parts[2]}
	if len(parts[3]) != secretEncoding.EncodedLen(secretBytes) {
		return Key{}, ErrFormat
	}
	// The decoder skips line ends, which no key contains.
	if n, err := secretEncoding.Decode(key.Secret[:], []byte(parts[3])); err != nil || n != secretBytes {
		return Key{}, ErrFormat
	}
	return key, nil
}

// Text puts a key together.
func (k Key) Text() string {
	return strings.Join([]string{prefix, k.Tenant, k.ID, secretEncoding.EncodeToString(k.Secret[:])}, "_")
}

// String is the key without its secret, fit for a log.
func (k Key) String() string { return prefix + "_" + k.Tenant + "_" + k.ID + "_…" }

// GoString is String: no verb prints the secret by accident.
func (k Key) GoString() string { return k.String() }

func validID(id string) bool {
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

// mint draws a new key.
func mint(tenant string, random io.Reader) (Key, error) {
	raw := make([]byte, idBytes+secretBytes)
	if _, err := io.ReadFull(random, raw); err != nil {
		return Key{}, fmt.Errorf("draw a key: %w", err)
	}
	key := Key{Tenant: tenant, ID: idEncoding.EncodeToString(raw[:idBytes])[:idLength]}
	copy(key.Secret[:], raw[idBytes:])
	return key, nil
}
