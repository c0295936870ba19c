package e2e_test

import (
	"context"
	"io"
	"net/http"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/serve"
)

// commands runs client commands with a key.
type commands struct {
	t            *testing.T
	address, key string
}

func (c commands) run(args ...string) string {
	c.t.Helper()
	command := exec.CommandContext(c.t.Context(), filepath.Join(binaries, "beltwright"), append([]string{"--server", c.address}, args...)...)
	command.Env = append(command.Environ(), "BELTWRIGHT_KEY="+c.key)
	out, err := command.CombinedOutput()
	if err != nil {
		c.t.Fatalf("%v: %v\n%s", args, err, out)
	}
	return string(out)
}

// keyMade is a key as "keys create" prints it.
var keyMade = regexp.MustCompile(`(?s)(keys/[^\s,]+).*?\n  (bw_\S+)\n`)

func (c commands) makeKey(args ...string) (name, text string) {
	c.t.Helper()
	match := keyMade.FindStringSubmatch(c.run(append([]string{"keys", "create"}, args...)...))
	if match == nil {
		c.t.Fatal("keys create prints no key")
	}
	return match[1], match[2]
}

// uses are ways to use a key that go on: each returns when it no longer can.
type uses map[string]func(ctx context.Context) error

// waits makes a use of a call that is made again and again.
func waits(call func(ctx context.Context) error) func(ctx context.Context) error {
	return func(ctx context.Context) error {
		for {
			if err := call(ctx); err != nil {
				return err
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
}

// drained reads a stream to its end.
func drained[M any](stream grpc.ServerStreamingClient[M], err error) error {
	for err == nil {
		_, err = stream.Recv()
	}
	return err
}

// silentImport opens an import, sends its options and falls silent.
func silentImport[Req, Res any](stream grpc.BidiStreamingClient[Req, Res], err error, options *Req) error {
	if err == nil {
		err = stream.Send(options)
	}
	for err == nil {
		_, err = stream.Recv()
	}
	return err
}

// usesOf are the ways to use a key with three processes: calls and streams, over gRPC
// to each service and over REST, streams whose caller says nothing among them.
func usesOf(t *testing.T, c client, fitment, quote *grpc.ClientConn) uses {
	t.Helper()
	rest := func(method, path string, body func() io.Reader) func(ctx context.Context) error {
		return func(ctx context.Context) error {
			request, err := http.NewRequestWithContext(ctx, method, c.base+path, body())
			if err != nil {
				return err
			}
			request.Header.Set("Authorization", "Bearer "+c.key)
			request.Header.Set("Content-Type", "text/csv")
			answer, err := http.DefaultClient.Do(request)
			if err != nil {
				return err
			}
			defer func() { _ = answer.Body.Close() }()
			said, err := io.ReadAll(answer.Body)
			if answer.StatusCode == http.StatusUnauthorized || strings.Contains(string(said), "CREDENTIAL_INVALID") {
				return auth.Invalid()
			}
			return err
		}
	}
	none := func() io.Reader { return http.NoBody }
	endless := func() io.Reader {
		reader, _ := io.Pipe() // never a byte
		return reader
	}
	as := func(ctx context.Context) context.Context { return auth.WithKey(ctx, c.key) }
	return uses{
		"calls over REST to the fitment service": waits(rest(http.MethodGet, "/v1/parts", none)),
		"calls over REST to the quote service":   waits(rest(http.MethodGet, "/v1/quotes", none)),
		"a watch over REST":                      rest(http.MethodGet, "/v1/evidenceRequests:watch", none),
		"a silent import over REST":              rest(http.MethodPost, "/v1/listings:import", endless),
		"calls to the fitment service": waits(func(ctx context.Context) error {
			_, err := fitmentv1.NewCatalogueServiceClient(fitment).ListParts(as(ctx), &fitmentv1.ListPartsRequest{})
			return err
		}),
		"calls to the quote service": waits(func(ctx context.Context) error {
			_, err := quotev1.NewQuoteServiceClient(quote).ListQuotes(as(ctx), &quotev1.ListQuotesRequest{})
			return err
		}),
		"a watch of the fitment service": func(ctx context.Context) error {
			stream, err := fitmentv1.NewEvidenceServiceClient(fitment).WatchEvidenceRequests(as(ctx), &fitmentv1.WatchEvidenceRequestsRequest{})
			return drained(stream, err)
		},
		"a silent import into the fitment service": func(ctx context.Context) error {
			stream, err := fitmentv1.NewListingServiceClient(fitment).ImportListings(as(ctx))
			return silentImport(stream, err, &fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: &fitmentv1.ImportOptions{}}})
		},
		"a silent import into the quote service": func(ctx context.Context) error {
			stream, err := quotev1.NewOfferServiceClient(quote).ImportOffers(as(ctx))
			return silentImport(stream, err, &quotev1.ImportOffersRequest{Content: &quotev1.ImportOffersRequest_Options{Options: &fitmentv1.ImportOptions{}}})
		},
	}
}

// end is how one use of a key ended, and when.
type end struct {
	at  time.Time
	err error
}

// used runs uses until they end, and returns what tells how each did.
func used(ctx context.Context, all uses) (ends func() map[string]end) {
	var mu sync.Mutex
	ended := map[string]end{}
	var running sync.WaitGroup
	for name, use := range all {
		running.Go(func() {
			err := use(ctx)
			mu.Lock()
			defer mu.Unlock()
			ended[name] = end{time.Now(), err}
		})
	}
	return func() map[string]end {
		running.Wait()
		return ended
	}
}

// TestRevokedKeyIsShutOutEverywhere revokes a key, and then shuts a business out, while
// its keys are used in every way over three processes. The other key of the business
// is used in the same ways all along, and nothing happens to it until its business is
// shut out: that is the control.
func TestRevokedKeyIsShutOutEverywhere(t *testing.T) {
	t.Parallel()
	fitment, quote, c := apart(t)
	fitmentAddress, quoteAddress := fitment.awaits(`address=(127\.0\.0\.1:\d+)`)[1], quote.awaits(`address=(127\.0\.0\.1:\d+)`)[1]
	conns := map[string]*grpc.ClientConn{}
	for _, address := range []string{fitmentAddress, quoteAddress} {
		conn, err := serve.Dial(address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		conns[address] = conn
	}
	cmd := commands{t, fitmentAddress, c.key}
	cmd.run("business", "create", "every-desk", "--name", "Every desk", "--role", "yard,shop,books,admin")
	ends := map[string]func() map[string]end{}
	names := map[string]string{}
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	for _, label := range []string{"first", "second"} {
		name, text := cmd.makeKey("--business", "every-desk", "--role", "yard", "--role", "shop,books", "--label", label)
		names[label] = name
		all := usesOf(t, client{t, c.base, text}, conns[fitmentAddress], conns[quoteAddress])
		if _, err := fitmentv1.NewCatalogueServiceClient(conns[fitmentAddress]).ListParts(auth.WithKey(ctx, text), &fitmentv1.ListPartsRequest{}); err != nil {
			t.Fatal(err)
		}
		ends[label] = used(ctx, all)
	}
	time.Sleep(3 * time.Second) //nolint:forbidigo // every cache is warm by then, and each use has been verified again
	// shut runs a command and demands that the key's uses end after it was given, and
	// within the time from when it was done.
	shut := func(label string, command ...string) {
		t.Helper()
		given := time.Now()
		cmd.run(command...)
		done := time.Now()
		for use, e := range ends[label]() {
			took := e.at.Sub(done)
			if status.Code(e.err) != codes.Unauthenticated || took > auth.Revoked || e.at.Before(given) {
				t.Errorf("%s key, %s: ended %v after the revocation with %v", label, use, took, e.err)
			}
			t.Logf("%s key, %s: %v", label, use, took.Round(time.Millisecond))
		}
	}
	shut("first", "keys", "revoke", names["first"])
	listed := cmd.run("keys", "list", "--business", "every-desk")
	if !regexp.MustCompile(regexp.QuoteMeta(names["first"]) + `.*revoked`).MatchString(listed) {
		t.Errorf("the list does not say that it is revoked:\n%s", listed)
	}
	shut("second", "business", "suspend", "every-desk") // none ended with the first key
	if code, _ := c.do(http.MethodGet, "/v1/quotes", nil); code != http.StatusOK {
		t.Errorf("the operator's key: %d", code)
	}
}
