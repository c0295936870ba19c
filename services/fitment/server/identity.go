package server

import (
	"context"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
)

// IdentityServer serves IdentityService: it tells a caller who it is. The key
// has been verified by then, on the way in, so the answer is what the context
// carries.
type IdentityServer struct {
	fitmentv1.UnimplementedIdentityServiceServer

	ready func(context.Context) error
}

// NewIdentity makes the server. ready tells whether keys can be verified.
func NewIdentity(ready func(context.Context) error) *IdentityServer {
	return &IdentityServer{ready: ready}
}

// VerifyCredential answers with the principal of the call's own credential.
func (*IdentityServer) VerifyCredential(
	ctx context.Context, _ *fitmentv1.VerifyCredentialRequest,
) (*fitmentv1.VerifyCredentialResponse, error) {
	principal, ok := identity.FromContext(ctx)
	if !ok {
		return nil, auth.Invalid()
	}
	answer := &fitmentv1.VerifyCredentialResponse{Tenant: principal.Tenant, KeyId: principal.KeyID}
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

// Ready tells whether keys can be verified.
func (s *IdentityServer) Ready(ctx context.Context) error { return s.ready(ctx) }

// Run waits for the end: the service has nothing to do in the background.
func (*IdentityServer) Run(ctx context.Context) error {
	<-ctx.Done()
	return nil
}
