package server

import (
	"context"
	"errors"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/fitment/signin"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// IdentityOptions are what an IdentityServer stands on; all are required.
type IdentityOptions struct {
	// Store keeps the records.
	Store store.Store
	// Keys makes and verifies keys over the same store.
	Keys *keys.Store
	// Sessions keeps and verifies sessions over the same store, Desk begins them, and
	// Hasher makes the hashes of passwords.
	Sessions *sessions.Store
	Desk     *signin.Desk
	Hasher   *password.Hasher
}

// IdentityServer serves IdentityService: it tells callers who they are, and keeps
// businesses and their credentials. The call's own credential has been verified by
// then, on the way in, and the context carries whose it is.
type IdentityServer struct {
	fitmentv1.UnimplementedIdentityServiceServer
	records

	keys       *keys.Store
	businesses *businesses.Store
	sessions   *sessions.Store
	desk       *signin.Desk
	hasher     *password.Hasher
}

// NewIdentity makes the server.
func NewIdentity(opts IdentityOptions) (*IdentityServer, error) {
	if opts.Store == nil || opts.Keys == nil {
		return nil, errors.New("fitment server: a store and its keys are required")
	}
	if opts.Sessions == nil || opts.Desk == nil || opts.Hasher == nil {
		return nil, errors.New("fitment server: sessions, a desk to sign in at and a hasher are required")
	}
	return &IdentityServer{
		records: records{opts.Store}, keys: opts.Keys, businesses: businesses.New(opts.Store),
		sessions: opts.Sessions, desk: opts.Desk, hasher: opts.Hasher,
	}, nil
}

// VerifyCredential answers with the principal of the call's own credential.
func (*IdentityServer) VerifyCredential(
	ctx context.Context, _ *fitmentv1.VerifyCredentialRequest,
) (*fitmentv1.VerifyCredentialResponse, error) {
	principal, ok := identity.FromContext(ctx)
	if !ok {
		return nil, auth.Invalid()
	}
	answer := &fitmentv1.VerifyCredentialResponse{Tenant: principal.Tenant, KeyId: principal.KeyID, Person: principal.Person}
	if !principal.Expires.IsZero() {
		answer.ExpireTime = timestamppb.New(principal.Expires)
	}
	for _, role := range principal.Roles {
		answer.Roles = append(answer.Roles, string(role))
	}
	return answer, nil
}

// Register registers the service.
func (s *IdentityServer) Register(r grpc.ServiceRegistrar) {
	fitmentv1.RegisterIdentityServiceServer(r, s)
}

// Names is the full name of the service.
func (*IdentityServer) Names() []string {
	return []string{fitmentv1.IdentityService_ServiceDesc.ServiceName}
}

// Ready tells whether credentials can be verified: they are read from the store each
// time.
func (s *IdentityServer) Ready(ctx context.Context) error {
	_, err := s.store.Place(ctx)
	return err
}

// Run notes on which days keys are used, until the context ends.
func (s *IdentityServer) Run(ctx context.Context) error { return s.keys.Run(ctx) }
