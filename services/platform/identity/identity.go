// Package identity carries who is calling. The tenant comes only from the
// credential, never from a request.
package identity

import (
	"context"
	"slices"
	"time"
)

// Role is a desk that a credential may sit at.
type Role string

// The roles.
const (
	// Yard lists parts.
	Yard Role = "yard"
	// Shop finds, holds and fits parts.
	Shop Role = "shop"
	// Books quotes and records.
	Books Role = "books"
	// Admin keeps the keys and people of its own business.
	Admin Role = "admin"
	// Operator keeps the catalogue and all businesses, and may act for any of them.
	// No credential is given it: administrators of the business that runs the
	// deployment have it.
	Operator Role = "operator"
)

// Desks are the roles that a credential can be given: all but Operator.
func Desks() []Role { return []Role{Yard, Shop, Books, Admin} }

// IsDesk tells whether a role is one of Desks.
func IsDesk(role Role) bool { return slices.Contains(Desks(), role) }

// Principal is who a credential belongs to.
type Principal struct {
	// Tenant is the business.
	Tenant string
	// KeyID is the public id of the credential: of a key or of a session.
	KeyID string
	// Roles are the desks it may sit at.
	Roles []Role
	// Person is the resource name of the person who signed in; empty for a key.
	Person string
	// Expires is when the credential ends by itself; zero where that is not known.
	Expires time.Time
}

// Name is the resource name of who acts: of the person, or of the key.
func (p Principal) Name() string {
	if p.Person != "" {
		return p.Person
	}
	return "keys/" + p.Tenant + "." + p.KeyID
}

// Has tells whether the principal has a role.
func (p Principal) Has(role Role) bool { return slices.Contains(p.Roles, role) }

// MaxTenant is the longest tenant slug.
const MaxTenant = 32

// ValidTenant tells whether a text is a tenant slug: 1 to 32 of a–z, 0–9 and
// the hyphen.
func ValidTenant(tenant string) bool {
	if tenant == "" || len(tenant) > MaxTenant {
		return false
	}
	for _, c := range []byte(tenant) {
		if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}

type contextKey struct{}

// NewContext returns a context that carries the principal.
func NewContext(ctx context.Context, p Principal) context.Context {
	return context.WithValue(ctx, contextKey{}, p)
}

// FromContext returns the principal; false where nobody was authenticated.
func FromContext(ctx context.Context) (Principal, bool) {
	p, ok := ctx.Value(contextKey{}).(Principal)
	return p, ok
}
