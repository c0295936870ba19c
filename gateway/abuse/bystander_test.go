package abuse_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
)

// experience is how a bystander fared: how long each of its calls took, and what
// failed.
type experience struct {
	took     []time.Duration
	failures []error
}

func (e experience) p99() time.Duration {
	if len(e.took) == 0 {
		return 0
	}
	sorted := slices.Sorted(slices.Values(e.took))
	return sorted[min(len(sorted)-1, len(sorted)*99/100)]
}

// pace is the time between a bystander's calls of one kind.
const pace = 20 * time.Millisecond

// watch lets a bystander work until ctx ends: reads over REST on a kept connection,
// over gRPC on a kept one, and over REST on a new connection each.
func (x target) watch(ctx context.Context) experience {
	x.t.Helper()
	var (
		mu     sync.Mutex
		all    experience
		people sync.WaitGroup
	)
	person := func(do func(ctx context.Context) error) {
		people.Go(func() {
			tick := time.NewTicker(pace)
			defer tick.Stop()
			for {
				select {
				case <-ctx.Done():
					return
				case <-tick.C:
				}
				// A call that was begun is finished, and counted.
				own, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
				began := time.Now()
				err := do(own)
				took := time.Since(began)
				cancel()
				mu.Lock()
				all.took = append(all.took, took)
				if err != nil {
					all.failures = append(all.failures, err)
				}
				mu.Unlock()
			}
		})
	}
	kept := &http.Transport{DialContext: dialer(bystanders).DialContext, TLSClientConfig: x.secure}
	fresh := &http.Transport{DialContext: dialer(bystanders).DialContext, TLSClientConfig: x.secure, DisableKeepAlives: true}
	conn, err := grpc.NewClient("passthrough:///"+x.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, to string) (net.Conn, error) {
			return dialer(bystanders).DialContext(ctx, "tcp", to)
		}))
	if err != nil {
		x.t.Fatal(err)
	}
	person(func(ctx context.Context) error { return x.reads(ctx, kept) })
	person(func(ctx context.Context) error { return x.reads(ctx, fresh) })
	person(func(ctx context.Context) error {
		_, err := fitmentv1.NewListingServiceClient(conn).GetListing(auth.WithKey(ctx, x.bystander), &fitmentv1.GetListingRequest{Name: listing})
		return err
	})
	people.Wait()
	kept.CloseIdleConnections()
	_ = conn.Close()
	return all
}

// listing is a listing of the demo scenario.
const listing = "listings/kettlewick.SOLANE-1"

// reads asks for it over REST.
func (x target) reads(ctx context.Context, transport *http.Transport) error {
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, x.base()+"/v1/"+listing, http.NoBody)
	if err != nil {
		return err
	}
	request.Header.Set("Authorization", "Bearer "+x.bystander)
	answer, err := (&http.Client{Transport: transport}).Do(request)
	if err != nil {
		return err
	}
	defer func() { _ = answer.Body.Close() }()
	body, err := io.ReadAll(answer.Body)
	if err == nil && answer.StatusCode != http.StatusOK {
		err = fmt.Errorf("REST answered %s: %s", answer.Status, body)
	}
	return err
}
