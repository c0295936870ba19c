package intercept_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/intercept"
)

// A call whose caller has left reaches nobody and leaves no line in the log. The
// control is the chain without this link: it logs.
func TestCallsWhoseCallerLeftCostNothing(t *testing.T) {
	t.Parallel()
	links, log := chain(t)
	left, leave := context.WithCancel(asShop(t))
	leave()
	for name, run := range map[string]func(links []intercept.Link) error{
		"unary": func(links []intercept.Link) error {
			_, err := call(left, links, func(context.Context, any) (any, error) { return &fitmentv1.AssessFaultResponse{}, nil })
			return err
		},
		"stream": func(links []intercept.Link) error {
			return stream(left, links, nil, func(any, grpc.ServerStream) error { return nil })
		},
	} {
		log.Reset()
		if err := run(links); status.Code(err) != codes.Canceled || log.Len() > 0 {
			t.Errorf("%s: %v, and in the log: %s", name, err, log)
		}
		if _ = run(links[1:]); !strings.Contains(log.String(), "call") {
			t.Errorf("%s: without the link nothing is logged either, so the test shows nothing", name)
		}
	}
	// Whose time has run out is another matter: that is told and logged.
	log.Reset()
	late, cancel := context.WithDeadline(asShop(t), time.Now().Add(-time.Second))
	defer cancel()
	if _, err := call(late, links, func(ctx context.Context, _ any) (any, error) { return nil, ctx.Err() }); status.Code(err) != codes.DeadlineExceeded || log.Len() == 0 {
		t.Errorf("after the deadline: %v, and in the log: %s", err, log)
	}
}
