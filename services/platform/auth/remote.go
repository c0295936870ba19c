package auth

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
)

// Remote verifies keys with the fitment service and keeps its answers for ttl,
// at most MaxTTL: so long does a revoked key still work. Where the service does
// not answer, keys that are not in the cache are not accepted.
func Remote(client fitmentv1.IdentityServiceClient, ttl time.Duration) Verifier {
	return Cached(remote{client: client}, CacheConfig{TTL: ttl})
}

// remoteTimeout bounds one question to the fitment service.
const remoteTimeout = 2 * time.Second

type remote struct {
	client fitmentv1.IdentityServiceClient
}

// Verify asks the fitment service who the key belongs to.
func (r remote) Verify(ctx context.Context, key string) (identity.Principal, error) {
	ctx, cancel := context.WithTimeout(ctx, remoteTimeout)
	defer cancel()
	answer, err := r.client.VerifyCredential(WithKey(ctx, key), &fitmentv1.VerifyCredentialRequest{})
	switch {
	case status.Code(err) == codes.Unauthenticated:
		return identity.Principal{}, Invalid()
	case err != nil:
		return identity.Principal{}, down()
	}
	principal, ok := principalOf(answer)
	if !ok {
		return identity.Principal{}, down()
	}
	return principal, nil
}

// principalOf reads an answer; false where it makes no sense.
func principalOf(answer *fitmentv1.VerifyCredentialResponse) (identity.Principal, bool) {
	p := identity.Principal{Tenant: answer.GetTenant(), KeyID: answer.GetKeyId(), Person: answer.GetPerson()}
	if ends := answer.GetExpireTime(); ends != nil {
		if !ends.IsValid() {
			return identity.Principal{}, false
		}
		p.Expires = ends.AsTime()
	}
	for _, text := range answer.GetRoles() {
		role := identity.Role(text)
		if role != identity.Operator && !identity.IsDesk(role) {
			return identity.Principal{}, false
		}
		p.Roles = append(p.Roles, role)
	}
	return p, p.Tenant != "" && p.KeyID != "" && len(p.Roles) > 0
}

func down() error { return Down("the fitment service does not answer") }
