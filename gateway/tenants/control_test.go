//go:build !race

// What this proves is the same with and without the race detector, and takes two more
// worlds: it is not compiled for the detector.

package tenants_test

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/store"
)

// broken is a deployment in which one of everything that the matrix looks for is wrong.
func broken(b build) build {
	b.policy = policy.Default()
	b.policy[quotev1.QuoteService_GetQuote_FullMethodName] = policy.Rule{SignedIn: true}
	b.verifier = func(inner auth.Verifier) auth.Verifier {
		return &gullible{Verifier: inner, known: map[string]identity.Principal{}}
	}
	b.service = func(inner serve.Service, records store.Store) serve.Service {
		return careless{Service: inner, records: records}
	}
	return b
}

// gullible is a verifier that looks at no more than business and id of a credential,
// and that never forgets whom it let in once.
type gullible struct {
	auth.Verifier

	mu    sync.Mutex
	known map[string]identity.Principal
}

// Verify lets in whoever names a credential that was good once.
func (g *gullible) Verify(ctx context.Context, text string) (identity.Principal, error) {
	name := text
	if parts := strings.SplitN(text, "_", 4); len(parts) == 4 { // a secret may hold the stroke too
		name = strings.Join(parts[:3], "_")
	}
	p, err := g.Verifier.Verify(ctx, text)
	g.mu.Lock()
	defer g.mu.Unlock()
	if err == nil {
		g.known[name] = p
		return p, nil
	}
	if before, ok := g.known[name]; ok {
		return before, nil
	}
	return p, err
}

// careless is a service some of whose handlers do what they must not.
type careless struct {
	serve.Service

	records store.Store
}

// Register registers the service behind the wrong handlers.
func (c careless) Register(r grpc.ServiceRegistrar) {
	c.Service.Register(wrong{ServiceRegistrar: r, records: c.records})
}

type wrong struct {
	grpc.ServiceRegistrar

	records store.Store
}

// RegisterService puts an error into some of the methods.
func (c wrong) RegisterService(desc *grpc.ServiceDesc, impl any) {
	bad := *desc
	bad.Methods = slices.Clone(desc.Methods)
	for i, method := range bad.Methods {
		bad.Methods[i].Handler = func(srv any, ctx context.Context, read func(any) error, chain grpc.UnaryServerInterceptor) (any, error) {
			return method.Handler(srv, ctx, read, func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
				return chain(ctx, req, info, func(ctx context.Context, req any) (any, error) { return c.handle(ctx, method.MethodName, req, handler) })
			})
		}
	}
	c.ServiceRegistrar.RegisterService(&bad, impl)
}

// handle is a handler that forgets something.
func (c wrong) handle(ctx context.Context, method string, req any, handler grpc.UnaryHandler) (any, error) {
	p, _ := identity.FromContext(ctx)
	if p.Tenant != birch {
		return handler(ctx, req)
	}
	switch method {
	case "GetSavedNeed", "GetQuote": // whose it is
		p.Tenant = alder
		return handler(identity.NewContext(ctx, p), req)
	case "GetListing": // to hide the VIN and the cost
		answer, err := handler(ctx, req)
		if found, ok := answer.(*fitmentv1.GetListingResponse); ok && err == nil {
			yard, stock, _ := listing.ParseName(found.GetListing().GetName())
			if record, err := c.records.Get(ctx, listing.Key(yard, stock)); err == nil {
				found.Listing, err = listing.Decode(record.Value)
				return found, err
			}
		}
		return answer, err
	case "ListListings": // that who bought it is not for everybody
		answer, err := handler(ctx, req)
		if list, ok := answer.(*fitmentv1.ListListingsResponse); ok && err == nil {
			for _, l := range list.GetListings() {
				yard, stock, _ := listing.ParseName(l.GetName())
				if record, err := c.records.Get(ctx, listing.Key(yard, stock)); err == nil {
					if whole, err := listing.Decode(record.Value); err == nil {
						l.Buyer = whole.GetBuyer()
					}
				}
			}
		}
		return answer, err
	case "ListKeptDecisions": // that others' are not to be counted
		answer, err := handler(ctx, req)
		theirs, listErr := c.records.List(ctx, alder, "decision", "", 10)
		if list, ok := answer.(*fitmentv1.ListKeptDecisionsResponse); ok && err == nil && listErr == nil && len(theirs) > 0 {
			list.KeptDecisions = append(list.KeptDecisions, &fitmentv1.KeptDecision{})
		}
		return answer, err
	}
	return handler(ctx, req)
}

// TestTheMatrixFindsWhatIsWrong is the control: in a deployment with these errors the
// matrix finds each.
func TestTheMatrixFindsWhatIsWrong(t *testing.T) {
	t.Parallel()
	w := newWorld(t, broken(build{lean: true}))
	m := matrix{only: []string{
		"QuoteService/GetQuote", "QuoteService/ListQuotes", "FitmentService/GetSavedNeed", "BooksService/SumQuotes", "ListingService/GetListing",
		"FitmentService/ListKeptDecisions", "ListingService/ListListings",
	}}
	bad := w.forged()
	maps.Copy(bad, w.ended())
	m.refusals(w, bad)
	m.desks(w, w.desked())
	told := m.others(w, w.things[alder])
	bare := newWorld(t, broken(build{lean: true, bare: true, bought: w.bought}))
	m.same(told, m.others(bare, w.things[alder]))
	for what, words := range map[string][]string{
		"a row that is widened":                     {"gRPC QuoteService/GetQuote for the desks y: allowed false"},
		"a row that is widened, at the gateway":     {"REST QuoteService/GetQuote for the desks y: allowed false"},
		"a secret that is not looked at":            {"gRPC FitmentService/GetSavedNeed with another secret"},
		"another business's secret":                 {"REST QuoteService/ListQuotes with another business's secret"},
		"a revoked key that is remembered":          {"gRPC BooksService/SumQuotes with a key that was revoked"},
		"a session that is remembered":              {"gRPC BooksService/SumQuotes with a session that was ended", "with a session of a person who is shut out"},
		"a business whose shutting out is not seen": {"with a key of a business that is shut out"},
		"a tenant that is not looked at":            {"gRPC FitmentService/GetSavedNeed by birch tells", "REST FitmentService/GetSavedNeed by birch tells"},
		"a number that another business has too":    {"gRPC QuoteService/GetQuote by birch tells", "REST QuoteService/GetQuote by birch tells"},
		"who bought what":                           {"gRPC ListingService/ListListings tells birch what alder has", "REST ListingService/ListListings tells birch what alder has"},
		"a listing that is not masked":              {"gRPC ListingService/GetListing by birch tells \"zqalder7-cost", "REST ListingService/GetListing by birch tells the VIN"},
		"a count that includes others":              {"gRPC FitmentService/ListKeptDecisions tells birch what alder has"},
	} {
		for _, word := range words {
			if !slices.ContainsFunc(m.findings, func(finding string) bool { return strings.Contains(finding, word) }) {
				t.Errorf("%s was not found: no finding says %q among %d", what, word, len(m.findings))
			}
		}
	}
	t.Logf("%d findings in %d cases", len(m.findings), m.cases)
}
