package intercept

import (
	"context"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
)

// policyLink lets in who the table lets in, before the request is read. Streams are
// judged when they open.
func policyLink(table policy.Table) Link {
	return Link{
		Name: Policy,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			if err := may(ctx, table, info.FullMethod); err != nil {
				return nil, err
			}
			return handler(ctx, req)
		},
		Stream: func(srv any, s grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			if err := may(s.Context(), table, info.FullMethod); err != nil {
				return err
			}
			return handler(srv, s)
		},
	}
}

// may judges one call. Where nobody is signed in the principal is nobody.
func may(ctx context.Context, table policy.Table, method string) error {
	p, _ := identity.FromContext(ctx)
	return table.Check(p, method)
}
