package intercept_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/intercept"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	method = fitmentv1.FitmentService_AssessFault_FullMethodName
	secret = "bw_shop-a_abcdefghij23_thesecret"
)

// verifier accepts one key.
type verifier struct{}

func (verifier) Verify(_ context.Context, key string) (identity.Principal, error) {
	if key != secret {
		return identity.Principal{}, auth.Invalid()
	}
	return identity.Principal{Tenant: "shop-a", KeyID: "abcdefghij23", Roles: []identity.Role{identity.Shop}}, nil
}

// chain makes the links with a log that is kept.
func chain(t *testing.T) ([]intercept.Link, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	links, err := intercept.Chain(intercept.Config{
		Verifier: verifier{}, Log: slog.New(slog.NewJSONHandler(&log, nil)),
	})
	if err != nil {
		t.Fatal(err)
	}
	return links, &log
}

// call sends a request through all links to a handler.
func call(ctx context.Context, links []intercept.Link, handler grpc.UnaryHandler) (any, error) {
	for _, link := range slices.Backward(links) {
		inner := handler
		handler = func(ctx context.Context, req any) (any, error) {
			return link.Unary(ctx, req, &grpc.UnaryServerInfo{FullMethod: method}, inner)
		}
	}
	return handler(ctx, &fitmentv1.AssessFaultRequest{})
}

// stream opens a stream through all links to a handler.
func stream(ctx context.Context, links []intercept.Link, messages grpc.ServerStream, handler grpc.StreamHandler) error {
	for _, link := range slices.Backward(links) {
		inner := handler
		handler = func(srv any, s grpc.ServerStream) error {
			return link.Stream(srv, s, &grpc.StreamServerInfo{FullMethod: method}, inner)
		}
	}
	return handler(nil, &opened{ServerStream: messages, ctx: ctx})
}

type opened struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // grpc's way
}

func (o *opened) Context() context.Context { return o.ctx }

// silent is a caller's stream on which nothing ever comes until it is released.
type silent struct {
	grpc.ServerStream

	release chan struct{}
}

func (s silent) RecvMsg(any) error { <-s.release; return io.EOF }
func (s silent) SendMsg(any) error { <-s.release; return io.EOF }

func asShop(t *testing.T) context.Context {
	t.Helper()
	return metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, "Bearer "+secret))
}

func lines(t *testing.T, log *bytes.Buffer) []map[string]any {
	t.Helper()
	var all []map[string]any
	for decoder := json.NewDecoder(log); ; {
		var line map[string]any
		if err := decoder.Decode(&line); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, line)
	}
}

func TestOrderOfTheChain(t *testing.T) {
	t.Parallel()
	links, _ := chain(t)
	var names []string
	for _, link := range links {
		names = append(names, link.Name)
	}
	want := []string{"gone", "request", "recovery", "logging", "metrics", "edge", "deadline", "unpacked", "shed", "auth", "rate", "policy", "strictness"}
	if diff := cmp.Diff(want, names); diff != "" {
		t.Error(diff)
	}
	if _, err := intercept.Chain(intercept.Config{}); err == nil {
		t.Error("a chain without a verifier was made")
	}
	if _, err := intercept.Chain(intercept.Config{Verifier: verifier{}, UnaryTimeout: -1}); err == nil {
		t.Error("a negative timeout was taken")
	}
}

func TestPanicBecomesAnAnswerAndIsLogged(t *testing.T) {
	t.Parallel()
	for name, run := range map[string]func([]intercept.Link) error{
		"unary": func(links []intercept.Link) error {
			_, err := call(asShop(t), links, func(context.Context, any) (any, error) { panic("the cat is out") }) //nolint:forbidigo // what is tested
			return err
		},
		"stream": func(links []intercept.Link) error {
			return stream(asShop(t), links, nil, func(any, grpc.ServerStream) error { panic("the cat is out") }) //nolint:forbidigo // what is tested
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			links, log := chain(t)
			err := run(links)
			if status.Code(err) != codes.Internal || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_INTERNAL {
				t.Errorf("%v, want INTERNAL with its reason", err)
			}
			if strings.Contains(err.Error(), "cat") {
				t.Errorf("the panic's text leaves: %v", err)
			}
			logged := lines(t, log)
			if len(logged) != 2 || logged[0]["msg"] != "call" || logged[0]["code"] != "Internal" || logged[0]["tenant"] != "shop-a" {
				t.Errorf("want the call, then the panic: %v", logged)
			}
			if stack, _ := logged[len(logged)-1]["stack"].(string); !strings.Contains(stack, "links_test.go") {
				t.Errorf("no stack of the panic: %q", stack)
			}
		})
	}
}

func TestLogSaysWhoWhatAndHowItEnded(t *testing.T) {
	t.Parallel()
	refused := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "no such part")
	for _, c := range []struct {
		name, level, code, reason, tenant string
		ctx                               context.Context //nolint:containedctx // a case's input
		err                               error
	}{
		{"good", "INFO", "OK", "", "shop-a", asShop(t), nil},
		{"refused", "INFO", "NotFound", "NOT_FOUND", "shop-a", asShop(t), refused},
		{"failed", "ERROR", "Internal", "INTERNAL", "shop-a", asShop(t), errors.New("disk")},
		{"stranger", "INFO", "Unauthenticated", "CREDENTIAL_INVALID", "", t.Context(), nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			links, log := chain(t)
			if _, err := call(c.ctx, links, func(context.Context, any) (any, error) { return "", c.err }); (err == nil) != (c.code == "OK") {
				t.Fatal(err)
			}
			if strings.Contains(log.String(), "thesecret") {
				t.Errorf("the key is in the log: %s", log)
			}
			logged := lines(t, log)
			last := logged[len(logged)-1]
			want := map[string]any{"level": c.level, "msg": "call", "method": method, "code": c.code, "reason": c.reason, "tenant": c.tenant}
			for field, value := range want {
				if last[field] != value {
					t.Errorf("%s is %v, want %v", field, last[field], value)
				}
			}
			if _, ok := last["took"].(float64); !ok {
				t.Errorf("no duration: %v", last)
			}
		})
	}
}

func TestEveryErrorLeavesWithAReason(t *testing.T) {
	t.Parallel()
	ours := apierr.New(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE, "changed")
	for name, c := range map[string]struct {
		err    error
		code   codes.Code
		reason apierr.Reason
		text   string
	}{
		"ours":         {ours, codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE, "changed"},
		"ours wrapped": {fmt.Errorf("row 7 in /var/secret: %w", ours), codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE, "changed"},
		"plain":        {errors.New("open /var/secret: no"), codes.Internal, fitmentv1.ErrorInfo_INTERNAL, ""},
		"time ran out": {fmt.Errorf("x: %w", context.DeadlineExceeded), codes.DeadlineExceeded, fitmentv1.ErrorInfo_LIMIT_REACHED, ""},
		"cancelled":    {context.Canceled, codes.Canceled, fitmentv1.ErrorInfo_LIMIT_REACHED, ""},
		"bare": {
			status.Error(codes.NotFound, "unknown service"), codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "unknown service",
		},
		"bare with a percent": {status.Error(codes.InvalidArgument, "100%s"), codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID, "100%s"},
		"grpc's dial": {
			status.Error(codes.Unavailable, "dial tcp 10.0.0.7:9091: refused"), codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "",
		},
		"bare internal": {status.Error(codes.Internal, "secret"), codes.Internal, fitmentv1.ErrorInfo_INTERNAL, ""},
		"bare unknown":  {status.Error(codes.Unknown, "secret"), codes.Internal, fitmentv1.ErrorInfo_INTERNAL, ""},
		"bare deadline": {status.Error(codes.DeadlineExceeded, "secret"), codes.DeadlineExceeded, fitmentv1.ErrorInfo_LIMIT_REACHED, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			links, _ := chain(t)
			answer, err := call(asShop(t), links, func(context.Context, any) (any, error) { return "half an answer", c.err })
			if answer != nil {
				t.Errorf("an answer beside an error: %v", answer)
			}
			got := status.Convert(err)
			if got.Code() != c.code || apierr.ReasonOf(err) != c.reason {
				t.Errorf("%v %v, want %v %v", got.Code(), apierr.ReasonOf(err), c.code, c.reason)
			}
			if c.text != "" && got.Message() != c.text {
				t.Errorf("text %q, want %q", got.Message(), c.text)
			}
			for _, inside := range []string{"secret", "10.0.0.7"} {
				if strings.Contains(got.Message(), inside) {
					t.Errorf("%q leaves: %q", inside, got.Message())
				}
			}
		})
	}
	if intercept.Outside(nil) != nil {
		t.Error("no error became one")
	}
}

func TestDeadlineIsShavedAndTooLittleRefused(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		has, leaves time.Duration // 0: none set; refused
	}{
		"none":         {0, intercept.DefaultUnaryTimeout},
		"a second":     {time.Second, 900 * time.Millisecond},
		"a fifth":      {200 * time.Millisecond, 150 * time.Millisecond},
		"just enough":  {40 * time.Millisecond, 20 * time.Millisecond},
		"not enough":   {39 * time.Millisecond, 0},
		"nothing left": {time.Nanosecond, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				links, _ := chain(t)
				ctx := asShop(t)
				if c.has != 0 {
					var cancel context.CancelFunc
					ctx, cancel = context.WithTimeout(ctx, c.has)
					defer cancel()
				}
				var left time.Duration
				_, err := call(ctx, links, func(ctx context.Context, _ any) (any, error) {
					deadline, _ := ctx.Deadline()
					left = time.Until(deadline)
					return "", nil
				})
				if left != c.leaves {
					t.Errorf("%v are left, want %v", left, c.leaves)
				}
				if refused := status.Code(err) == codes.DeadlineExceeded; refused != (c.leaves == 0) {
					t.Errorf("%v", err)
				}
			})
		})
	}
}

// Two hops take a quarter off each: the outer one has time to answer after the inner
// one ran out.
func TestShavingAddsUpOverHops(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		links, _ := chain(t)
		ctx, cancel := context.WithTimeout(asShop(t), 200*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err := call(ctx, links, func(ctx context.Context, _ any) (any, error) {
			return call(ctx, links, func(ctx context.Context, _ any) (any, error) {
				<-ctx.Done()
				return nil, ctx.Err()
			})
		})
		if took := time.Since(start); took != 112500*time.Microsecond || status.Code(err) != codes.DeadlineExceeded {
			t.Errorf("%v after %v; want DEADLINE_EXCEEDED after 112.5ms", err, took)
		}
	})
}

func TestSilentStreamEndsWithItsTime(t *testing.T) {
	t.Parallel()
	for name, step := range map[string]func(grpc.ServerStream) error{
		"receiving": func(s grpc.ServerStream) error { return s.RecvMsg(&fitmentv1.ImportPartsRequest{}) },
		"sending":   func(s grpc.ServerStream) error { return s.SendMsg(&fitmentv1.ImportPartsResponse{}) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				links, _ := chain(t)
				caller := silent{release: make(chan struct{})}
				start := time.Now()
				err := stream(asShop(t), links, caller, func(_ any, s grpc.ServerStream) error { return step(s) })
				if took := time.Since(start); took != intercept.DefaultStreamTimeout || status.Code(err) != codes.DeadlineExceeded {
					t.Errorf("%v after %v", err, took)
				}
				close(caller.release) // the end of the stream, which grpc sees to
				synctest.Wait()
			})
		})
	}
}
