package serve_test

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/serve"
)

// madeUp is a service of whose methods nobody has said who may call them.
type madeUp struct{ who }

func (*madeUp) Names() []string { return []string{"made.up.v1.Ledger"} }

func (m *madeUp) Register(r grpc.ServiceRegistrar) {
	r.RegisterService(&grpc.ServiceDesc{
		ServiceName: "made.up.v1.Ledger", HandlerType: (*any)(nil),
		Methods: []grpc.MethodDesc{{MethodName: "Erase", Handler: func(any, context.Context, func(any) error, grpc.UnaryServerInterceptor) (any, error) {
			return &fitmentv1.VerifyCredentialResponse{}, nil
		}}},
		Streams: []grpc.StreamDesc{{StreamName: "Read", ServerStreams: true, Handler: func(any, grpc.ServerStream) error { return nil }}},
	}, m)
}

// A server over a method without a row is not made; with rows it is.
func TestAMethodWithoutAPolicyKeepsTheServerFromStarting(t *testing.T) {
	t.Parallel()
	log := slog.New(slog.DiscardHandler)
	_, err := serve.New(serve.Config{}, verifier{}, log, &madeUp{})
	if err == nil || !strings.Contains(err.Error(), "/made.up.v1.Ledger/Erase") || !strings.Contains(err.Error(), "/made.up.v1.Ledger/Read") {
		t.Errorf("%v; want an error that names both methods", err)
	}
	table := policy.Default()
	table["/made.up.v1.Ledger/Erase"], table["/made.up.v1.Ledger/Read"] = policy.Rule{SignedIn: true}, policy.Rule{SignedIn: true}
	if _, err := serve.New(serve.Config{Policy: table}, verifier{}, log, &madeUp{}); err != nil {
		t.Errorf("with rows for both: %v", err)
	}
}

// Whose desks may not is refused before the handler is entered, and whose may is let in.
func TestDesksAreAskedBeforeTheHandler(t *testing.T) {
	t.Parallel()
	for name, rule := range map[string]policy.Rule{"shut": {}, "open": {SignedIn: true}} {
		table := policy.Default()
		table[fitmentv1.IdentityService_VerifyCredential_FullMethodName] = rule
		service := &who{}
		r := start(t, serve.Config{Policy: table}, service)
		_, err := verify(keyed(t), r.conn)
		if name == "open" && (err != nil || service.calls.Load() == 0) {
			t.Errorf("open: %v after %d calls", err, service.calls.Load())
		}
		if name == "shut" && (status.Code(err) != codes.PermissionDenied || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PERMISSION_MISSING || service.calls.Load() != 0) {
			t.Errorf("shut: %v after %d calls", err, service.calls.Load())
		}
	}
}
