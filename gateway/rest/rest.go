// Package rest offers the gRPC services as REST: JSON in and out, CSV files in
// and their rows' results out as they become durable, and the API's own
// description. It authenticates before it reads a body, reads bodies strictly
// (package strict), and answers every error in one shape: google.rpc.Status as
// JSON with ErrorInfo and, where a field is at fault, its JSON path.
package rest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/telemetry"
)

// Options say what the gateway stands on.
type Options struct {
	// Fitment and Quote reach the two services.
	Fitment, Quote grpc.ClientConnInterface
	// Verifier says who a key belongs to.
	Verifier auth.Verifier
	// Policy says who may call what; nil means policy.Default. It is asked before a
	// body is read; the services behind ask theirs again.
	Policy policy.Table
	// Ready tells whether requests can be served; nil follows the gRPC health
	// of both services.
	Ready func(ctx context.Context) error
	// Limits bound what callers take and what is under way; nil, which is for tests,
	// bounds nothing.
	Limits *limit.Limits
	// BehindProxy takes the address that a proxy names for a request's, which only a
	// proxy of ours may be able to do; see placeOf.
	BehindProxy bool
	// Metrics counts requests, Traces makes spans of them; nil for neither.
	Metrics *metrics.Set
	Traces  *telemetry.Traces
	// Secure says that clients reach REST by HTTPS, from here or from a proxy of ours:
	// browsers are told to come by nothing else, and cookies are bound to it. An https
	// PublicURL says so too.
	Secure bool
	// PublicURL is where browsers reach REST, where that is not the name they call us
	// by; empty where it is.
	PublicURL string
	// Provider is the identity provider that browsers may sign in by; nil for none.
	Provider *ProviderOptions
	// SignIns bounds the tries to sign in that fail, by the address that they come
	// from; nil for the default.
	SignIns *guesses.Limiter
	// Log takes a line a request; nil means the default logger. Keys, queries
	// and bodies are never logged.
	Log *slog.Logger
	// MaxBody bounds a JSON body in bytes; 0 means 1 MiB. A CSV file is not
	// bounded in whole.
	MaxBody int64
	// Timeout bounds a request that is no import; 0 means 15 s.
	Timeout time.Duration
	// Stall bounds how long an import waits for the client to send or to take
	// something; 0 means 60 s.
	Stall time.Duration
}

// Defaults of Options.
const (
	DefaultMaxBody = 1 << 20
	DefaultTimeout = 15 * time.Second
	DefaultStall   = 60 * time.Second
)

func (o *Options) fill() error {
	if o.Fitment == nil || o.Quote == nil || o.Verifier == nil {
		return errors.New("rest: connections to both services and a verifier are needed")
	}
	if o.MaxBody < 0 || o.Timeout < 0 || o.Stall < 0 {
		return errors.New("rest: a limit is negative; expected 0 for the default or more")
	}
	if scheme, _, _ := strings.Cut(o.PublicURL, ":"); strings.EqualFold(scheme, "https") {
		o.Secure = true
	}
	if o.Ready == nil {
		o.Ready = Follow(o.Fitment, o.Quote)
	}
	o.Verifier = guarded(o.Verifier, o.Limits)
	if o.Policy == nil {
		o.Policy = policy.Default()
	}
	o.Fitment = counted{roomy: roomy{ClientConnInterface: o.Fitment, limits: o.Limits}, policy: o.Policy}
	o.Quote = counted{roomy: roomy{ClientConnInterface: o.Quote, limits: o.Limits}, policy: o.Policy}
	if o.SignIns == nil {
		o.SignIns = guesses.New(guesses.OfAddresses(nil))
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.MaxBody == 0 {
		o.MaxBody = DefaultMaxBody
	}
	if o.Timeout == 0 {
		o.Timeout = DefaultTimeout
	}
	if o.Stall == 0 {
		o.Stall = DefaultStall
	}
	return nil
}

// gateway is the handler behind the security headers and the log.
type gateway struct {
	options Options
	api     *runtime.ServeMux
	imports map[string]importer
	// renderers serve documents.
	renderers []renderer
	// watchers serve what goes on; it ends with ending.
	watchers []watcher
	ending   context.Context //nolint:containedctx // it is the gateway's end, not a request's
	routes   routes
	openapi  []byte
	browser  browser
	provider *provider
}

// Handler serves the API.
type Handler struct {
	http.Handler

	end context.CancelFunc
	log *slog.Logger
}

// End ends the answers that would go on for as long as their clients stay. A
// server that shuts down would wait for them in vain.
func (h *Handler) End() {
	if h.end != nil {
		h.end()
	}
}

// New returns the handler.
func New(options Options) (*Handler, error) {
	if err := options.fill(); err != nil {
		return nil, err
	}
	document, err := newDocument()
	if err != nil {
		return nil, err
	}
	clients, err := newBrowser(options.Secure, options.PublicURL)
	if err != nil {
		return nil, err
	}
	vouching, err := newProvider(options.Provider, time.Now)
	if err != nil {
		return nil, err
	}
	ending, end := context.WithCancel(context.Background())
	g := &gateway{options: options, watchers: watchers(), renderers: renderers(options), ending: ending, openapi: document.raw, routes: document.routes, browser: clients, provider: vouching}
	if g.api, err = newAPI(options); err != nil {
		end()
		return nil, err
	}
	g.imports = importers(options)
	return &Handler{Handler: g.decorated(), end: end, log: options.Log}, nil
}

// decorated is the gateway behind its decorators, from the outside in: the answer gets
// its security headers, the request gets its id, its span, is counted and logged, and a panic becomes an answer.
func (g *gateway) decorated() http.Handler {
	o := g.options
	inner := logged(o.Log, recovered(o.Log, http.HandlerFunc(g.serve)))
	return secured(o.Secure, identified(traced(o.Traces, g.routes, measured(o.Metrics, g.routes, inner))))
}

// newAPI registers the generated handlers. They bind the path and choose the
// method; body and query are read by the connection, see exchange.
func newAPI(o Options) (*runtime.ServeMux, error) {
	drop := func(string) (string, bool) { return "", false }
	mux := runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, newMarshaler()),
		runtime.WithErrorHandler(func(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, _ *http.Request, err error) {
			w.Header().Del("Set-Cookie") // a sign-out that failed can be tried again
			writeError(w, err)
		}),
		runtime.WithRoutingErrorHandler(func(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, _ *http.Request, _ int) {
			writeError(w, unknownRoute())
		}),
		runtime.WithIncomingHeaderMatcher(drop),
		runtime.WithOutgoingHeaderMatcher(drop),
		runtime.WithOutgoingTrailerMatcher(drop),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
	)
	fitment, quote := newCaller(o, o.Fitment), newCaller(o, o.Quote)
	// The handlers keep nothing of this context; requests bring their own.
	ctx := context.Background()
	err := errors.Join(
		fitmentv1.RegisterIdentityServiceHandlerClient(ctx, mux, fitmentv1.NewIdentityServiceClient(fitment)),
		fitmentv1.RegisterCatalogueServiceHandlerClient(ctx, mux, fitmentv1.NewCatalogueServiceClient(fitment)),
		fitmentv1.RegisterListingServiceHandlerClient(ctx, mux, fitmentv1.NewListingServiceClient(fitment)),
		fitmentv1.RegisterFitmentServiceHandlerClient(ctx, mux, fitmentv1.NewFitmentServiceClient(fitment)),
		fitmentv1.RegisterEvidenceServiceHandlerClient(ctx, mux, fitmentv1.NewEvidenceServiceClient(fitment)),
		quotev1.RegisterOfferServiceHandlerClient(ctx, mux, quotev1.NewOfferServiceClient(quote)),
		quotev1.RegisterQuoteServiceHandlerClient(ctx, mux, quotev1.NewQuoteServiceClient(quote)),
		quotev1.RegisterRepairServiceHandlerClient(ctx, mux, quotev1.NewRepairServiceClient(quote)),
		quotev1.RegisterPlanningServiceHandlerClient(ctx, mux, quotev1.NewPlanningServiceClient(quote)),
		quotev1.RegisterBooksServiceHandlerClient(ctx, mux, quotev1.NewBooksServiceClient(quote)),
	)
	if err != nil {
		return nil, fmt.Errorf("rest: %w", err)
	}
	return mux, nil
}

// serve lets the open paths through and everything else only with a credential.
func (g *gateway) serve(w http.ResponseWriter, r *http.Request) {
	r = withPlace(r, g.options.BehindProxy)
	if g.public(w, r) {
		return
	}
	if err := patient(g.authenticated)(w, r); err != nil {
		writeError(w, err)
	}
}

// authenticated serves a request that needs a key. Nothing of its body is read
// before the key is verified.
func (g *gateway) authenticated(w http.ResponseWriter, r *http.Request) error {
	key, who, err := g.key(r)
	if err != nil {
		return err
	}
	r = r.WithContext(identity.NewContext(r.Context(), who))
	if err := readable(r.URL.Path); err != nil {
		return err
	}
	if allowed := g.routes.methods(r.URL.Path); !slices.Contains(allowed, r.Method) {
		return wrongMethod(w, r, allowed)
	}
	if in, ok := g.imports[r.URL.Path]; ok {
		return in.serve(w, r, key)
	}
	if what, name, ok := g.watched(r.URL.Path); ok {
		return g.watch(w, r, key, what, name)
	}
	if what, name, ok := g.rendered(r.URL.Path); ok {
		return g.render(w, r, key, what, name)
	}
	switch files := (attachments{conn: g.options.Fitment, stall: g.options.Stall}); {
	case r.URL.Path == attachmentsPath:
		return files.upload(w, r, key)
	case strings.HasPrefix(r.URL.Path, attachmentPath):
		return files.download(w, r, key)
	case r.URL.Path == ledgerPath:
		return ledger{conn: g.options.Quote, stall: g.options.Stall}.download(w, r, key)
	}
	if r.URL.Path == signOutPath && g.browser.carries(r) {
		g.browser.set(w, sessionCookie, "", time.Time{})
	}
	ctx, cancel := context.WithTimeout(r.Context(), g.options.Timeout)
	defer cancel()
	g.api.ServeHTTP(w, bare(ctx, &exchange{writer: w, request: r, key: key}))
	return nil
}

// readable refuses a path that holds more than text once it is decoded: protobuf
// has no place for it, and no name of a record contains any.
func readable(path string) error {
	switch {
	case !utf8.ValidString(path):
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"the path is not valid UTF-8; expected text, percent-encoded as UTF-8")
	case strings.ContainsFunc(path, unicode.IsControl):
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"the path contains a control character; expected plain text")
	}
	return nil
}

// key returns the request's verified key, and who it belongs to.
func (g *gateway) key(r *http.Request) (string, identity.Principal, error) {
	key, err := g.browser.credential(r)
	if err != nil {
		return "", identity.Principal{}, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), g.options.Timeout)
	defer cancel()
	who, err := g.options.Verifier.Verify(ctx, key)
	if err != nil {
		return "", identity.Principal{}, err
	}
	return key, who, nil
}

func unknownRoute() error {
	return apierr.New(codes.NotFound, fitmentv1.ErrorInfo_ROUTE_UNKNOWN,
		"there is no such path; GET /openapi.json lists all")
}

// wrongMethod is the answer to a path that does not exist for this method.
func wrongMethod(w http.ResponseWriter, r *http.Request, allowed []string) error {
	if len(allowed) == 0 {
		return unknownRoute()
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	return httpError{status: http.StatusMethodNotAllowed, error: apierr.New(codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN,
		"%s is not possible on this path; expected %s", r.Method, strings.Join(allowed, " or "))}
}
