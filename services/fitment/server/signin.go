package server

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
)

// Bounds of what is read of somebody whom nobody knows yet.
const (
	maxLogin = 200
	maxToken = 16 << 10
	maxNonce = 200
)

// SignIn begins a session by a password. What cannot be a login or a password is said
// to be so, which tells nothing of who is there; everything else gets one answer.
func (s *IdentityServer) SignIn(ctx context.Context, req *fitmentv1.SignInRequest) (*fitmentv1.SignInResponse, error) {
	err := wellFormed(func(fields *check.Fields) {
		fields.Text("login", req.GetLogin(), maxLogin, true)
		secret(fields, "password", req.GetPassword())
	})
	if err != nil {
		return nil, err
	}
	session, text, err := s.desk.ByPassword(ctx, req.GetLogin(), req.GetPassword(), placeOf(ctx))
	if err != nil {
		return nil, edge(err)
	}
	return &fitmentv1.SignInResponse{Session: session, Credential: text}, nil
}

// SignInWithToken begins a session by an identity provider's word.
func (s *IdentityServer) SignInWithToken(ctx context.Context, req *fitmentv1.SignInWithTokenRequest) (*fitmentv1.SignInWithTokenResponse, error) {
	err := wellFormed(func(fields *check.Fields) {
		fields.Text("id_token", req.GetIdToken(), maxToken, true)
		fields.Text("nonce", req.GetNonce(), maxNonce, true)
	})
	if err != nil {
		return nil, err
	}
	session, text, err := s.desk.ByToken(ctx, req.GetIdToken(), req.GetNonce(), placeOf(ctx))
	if err != nil {
		return nil, edge(err)
	}
	return &fitmentv1.SignInWithTokenResponse{Session: session, Credential: text}, nil
}

// secret notes where a text cannot be a password that was set: no more than its
// length is looked at.
func secret(fields *check.Fields, field, value string) {
	if value == "" || len(value) > password.Longest {
		fields.Add(field, fmt.Sprintf("has %d bytes", len(value)), fmt.Sprintf("1 to %d", password.Longest))
	}
}

// placeOf is where the tries of a call's maker are counted; "" where our own program
// passed the call on, which counted it where it came in.
func placeOf(ctx context.Context) string {
	caller := limit.CallerOf(ctx, true)
	if caller.Relay {
		return ""
	}
	return caller.Place
}

// SignOut ends the caller's own session.
func (s *IdentityServer) SignOut(ctx context.Context, _ *fitmentv1.SignOutRequest) (*fitmentv1.SignOutResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if err := signedIn(p); err != nil {
		return nil, err
	}
	if err := s.sessions.SignOut(ctx, p.Tenant, p.KeyID); err != nil {
		return nil, edge(err)
	}
	return &fitmentv1.SignOutResponse{}, nil
}

// signedIn refuses keys where a person is needed.
func signedIn(p identity.Principal) error {
	if p.Person != "" {
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"the credential is a key, which nobody signed in for; expected the credential of a session")
}
