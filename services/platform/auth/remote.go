package auth

import (
	"context"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
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
	p := identity.Principal{Tenant: answer.GetTenant(), KeyID: answer.GetKeyId()}
	for _, text := range answer.GetRoles() {
		role := identity.Role(text)
		switch role {
		case identity.Yard, identity.Shop, identity.Books, identity.Admin:
			p.Roles = append(p.Roles, role)
		default:
			return identity.Principal{}, false
		}
	}
	return p, p.Tenant != "" && p.KeyID != "" && len(p.Roles) > 0
}

func down() error {
	return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, time.Second,
		"the credential cannot be verified now: the fitment service does not answer")
}
