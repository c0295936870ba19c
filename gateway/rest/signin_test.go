package rest_test

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/issuer"
	"beltwright.example/services/platform/issuer/issuertest"
	"beltwright.example/services/platform/serve"
)

const (
	passphrase = "four plain words here"
	other      = "another five words here"
)

// site is the real fitment side behind a real gateway over HTTPS, with a provider.
type site struct {
	t      *testing.T
	url    string
	client *http.Client // a browser, with its cookies
	people fitmentv1.IdentityServiceClient
	admin  context.Context //nolint:containedctx // of the operator's key, for the test's set-up
}

// live starts a site; provider nil for none.
func live(t *testing.T, provider *issuertest.Issuer, change ...func(o *rest.Options)) *site {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	config := app.Config{Data: t.TempDir(), First: []keys.First{app.OperatorKey(filepath.Join(t.TempDir(), "key"))}, Log: log}
	web := httptest.NewUnstartedServer(http.NotFoundHandler())
	address := "https://" + web.Listener.Addr().String()
	options := rest.Options{Secure: true, Log: log}
	if provider != nil {
		config.Provider = app.Provider{Issuer: provider.URL, ClientID: issuertest.ClientID}
		reached, err := issuer.New(provider.URL, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		options.Provider = &rest.ProviderOptions{Issuer: reached, ClientID: issuertest.ClientID, ClientSecret: issuertest.ClientSecret, PublicURL: address}
	}
	fitment, err := app.Open(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	server, err := serve.New(serve.Config{Name: "fitment"}, fitment.Verifier, log, fitment.Services...)
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	ctx, stop := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := server.Serve(ctx, memory); err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	conn, err := memory.Dial(grpc.WithDisableHealthCheck())
	if err != nil {
		t.Fatal(err)
	}
	options.Fitment, options.Quote = conn, conn
	options.Verifier = auth.Remote(fitmentv1.NewIdentityServiceClient(conn), auth.MaxTTL)
	for _, one := range change {
		one(&options)
	}
	handler, err := rest.New(options)
	if err != nil {
		t.Fatal(err)
	}
	web.Config.Handler = handler
	web.StartTLS()
	t.Cleanup(func() {
		web.Close()
		_ = conn.Close()
		stop()
		running.Wait()
		if err := fitment.Close(); err != nil {
			t.Error(err)
		}
	})
	s := &site{t: t, url: address, people: fitmentv1.NewIdentityServiceClient(conn), admin: auth.WithKey(t.Context(), fitment.First[0])}
	s.client = s.browser(web)
	return s
}

// browser is the server's client with a jar of cookies.
func (s *site) browser(web *httptest.Server) *http.Client {
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	client := web.Client()
	client.Jar = jar
	s.t.Cleanup(client.CloseIdleConnections)
	return client
}

// add adds a person.
func (s *site) add(person *fitmentv1.Person, password string) *fitmentv1.Person {
	s.t.Helper()
	person.DisplayName, person.Roles = person.GetId(), []string{"shop"}
	answer, err := s.people.CreatePerson(s.admin, &fitmentv1.CreatePersonRequest{Person: person, Password: password, RequestId: uuid.NewString()}, grpc.WaitForReady(true))
	if err != nil {
		s.t.Fatal(err)
	}
	return answer.GetPerson()
}

// answered is an answer without its body.
type answered struct {
	StatusCode int
	Header     http.Header
	cookies    []*http.Cookie
}

// Cookies are those that the answer sets.
func (a answered) Cookies() []*http.Cookie { return a.cookies }

// ask sends a browser's request and returns the answer and its body.
func (s *site) ask(method, path, body string, headers ...string) (answered, string) {
	s.t.Helper()
	request, err := http.NewRequestWithContext(s.t.Context(), method, s.url+path, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		request.Header.Set(name, value)
	}
	response, err := s.client.Do(request)
	if err != nil {
		s.t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return answered{StatusCode: response.StatusCode, Header: response.Header, cookies: response.Cookies()}, string(raw)
}

// reasonIn is the reason of an error's body.
func reasonIn(body string) string {
	var p problem
	_ = json.Unmarshal([]byte(body), &p)
	return p.reason()
}

// cookie is the browser's cookie of a name; "" where it has none.
func (s *site) cookie(name string) string {
	at, err := url.Parse(s.url)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, cookie := range s.client.Jar.Cookies(at) {
		if cookie.Name == name {
			return cookie.Value
		}
	}
	return ""
}

const (
	sessionCookie = "__Host-beltwright"
	oidcCookie    = "__Host-beltwright-oidc"
	ownPage       = "Sec-Fetch-Site: same-origin"
)

func signInBody(login, password string) string {
	raw, _ := json.Marshal(map[string]string{"login": login, "password": password}) //nolint:errchkjson // two texts
	return string(raw)
}

// TestBrowserSession goes the whole way of a browser: it signs in, works by its cookie
// and nothing else, and signs out.
func TestBrowserSession(t *testing.T) {
	t.Parallel()
	s := live(t, nil)
	s.add(&fitmentv1.Person{Id: "jo"}, passphrase)
	response, body := s.ask(http.MethodPost, "/signin", signInBody("jo@operator", passphrase), ownPage)
	if response.StatusCode != http.StatusOK || strings.Contains(body, "bs_") || !strings.Contains(body, `"person":"people/operator.jo"`) {
		t.Fatalf("%d %s", response.StatusCode, body)
	}
	set := response.Cookies()
	if len(set) != 1 || set[0].Name != sessionCookie || !set[0].Secure || !set[0].HttpOnly || set[0].SameSite != http.SameSiteLaxMode || set[0].Path != "/" || set[0].Domain != "" {
		t.Fatalf("cookies %v", set)
	}
	credential := s.cookie(sessionCookie)
	if _, body := s.ask(http.MethodGet, "/v1/credential:verify", ""); !strings.Contains(body, `"person":"people/operator.jo"`) {
		t.Errorf("by cookie: %s", body)
	}
	if response, body := s.ask(http.MethodGet, "/v1/credential:verify", "", "Authorization: Bearer "+credential); response.StatusCode != http.StatusUnauthorized {
		t.Errorf("header and cookie together: %d %s", response.StatusCode, body)
	}
	if response, _ := s.ask(http.MethodPost, "/v1/sessions:signOut", "{}", ownPage); response.StatusCode != http.StatusOK || s.cookie(sessionCookie) != "" {
		t.Errorf("sign-out: %d, cookie %q", response.StatusCode, s.cookie(sessionCookie))
	}
	// Whoever kept the credential has nothing any more, within 5 seconds.
	began := time.Now()
	for {
		_, err := s.people.VerifyCredential(auth.WithKey(t.Context(), credential), &fitmentv1.VerifyCredentialRequest{})
		response, _ := s.ask(http.MethodGet, "/v1/credential:verify", "", "Authorization: Bearer "+credential)
		if status.Code(err) == codes.Unauthenticated && response.StatusCode == http.StatusUnauthorized {
			break
		}
		if time.Since(began) > 5*time.Second {
			t.Fatalf("the session still counts: %v, %d", err, response.StatusCode)
		}
	}
}

// TestCrossSiteRequests: what changes something and is proven by a cookie alone must
// come from a page of ours. Each refused request is the control of one that passes
// with another header only, and without a cookie none of this is asked.
func TestCrossSiteRequests(t *testing.T) {
	t.Parallel()
	s := live(t, nil)
	s.add(&fitmentv1.Person{Id: "jo"}, passphrase)
	if response, body := s.ask(http.MethodPost, "/signin", signInBody("jo@operator", passphrase), ownPage); response.StatusCode != http.StatusOK {
		t.Fatalf("%d %s", response.StatusCode, body)
	}
	decode := func(headers ...string) (int, string) {
		response, body := s.ask(http.MethodPost, "/v1/vins:decode", `{"vin":"1M8GDM9AXKP042788","market":"US"}`, headers...)
		return response.StatusCode, reasonIn(body)
	}
	for name, c := range map[string]struct {
		headers []string
		passes  bool
	}{
		"own page":                {[]string{ownPage}, true},
		"typed by the user":       {[]string{"Sec-Fetch-Site: none"}, true},
		"own page, older browser": {[]string{"Origin: " + s.url}, true},
		"other site":              {[]string{"Sec-Fetch-Site: cross-site"}, false},
		"site next door":          {[]string{"Sec-Fetch-Site: same-site"}, false},
		"other site, as if ours":  {[]string{"Sec-Fetch-Site: cross-site", "Origin: " + s.url}, false},
		"other origin":            {[]string{"Origin: https://elsewhere.example"}, false},
		"opaque origin":           {[]string{"Origin: null"}, false},
		"other port":              {[]string{"Origin: https://127.0.0.1:1"}, false},
		"nothing said":            {nil, false},
		"nonsense":                {[]string{"Sec-Fetch-Site: yes"}, false},
	} {
		code, reason := decode(c.headers...)
		if passes := code == http.StatusOK; passes != c.passes || !passes && (code != http.StatusForbidden || reason != "CROSS_SITE") {
			t.Errorf("%s: %d %s", name, code, reason)
		}
	}
	// The control: by header, a program says nothing of pages and is served.
	credential := s.cookie(sessionCookie)
	s.client.Jar = nil
	for _, page := range []string{"X-Nothing: said", "Sec-Fetch-Site: cross-site"} {
		if code, _ := decode("Authorization: Bearer "+credential, page); code != http.StatusOK {
			t.Errorf("by header, %s: %d", page, code)
		}
	}
	if response, body := s.ask(http.MethodPost, "/v1/sessions:signIn", signInBody("jo@operator", passphrase), "Sec-Fetch-Site: cross-site"); response.StatusCode != http.StatusForbidden || reasonIn(body) != "CROSS_SITE" {
		t.Errorf("guessing from other sites' pages: %d %s", response.StatusCode, body)
	}
	if response, body := s.ask(http.MethodPost, "/v1/sessions:signIn", signInBody("jo@operator", passphrase)); response.StatusCode != http.StatusOK || !strings.Contains(body, `"credential":"bs_operator_`) || len(response.Cookies()) > 0 {
		t.Errorf("a program signs in: %d %s", response.StatusCode, body)
	}
}

// A program that comes to where browsers sign in learns where it does.
func TestProgramsAreShownTheirWayIn(t *testing.T) {
	t.Parallel()
	s := live(t, nil)
	response, body := s.ask(http.MethodPost, "/signin", signInBody("jo@operator", passphrase))
	if response.StatusCode != http.StatusForbidden || !strings.Contains(body, "/v1/sessions:signIn") {
		t.Errorf("%d %s", response.StatusCode, body)
	}
}

// TestCookiesThatAreNone: a cookie counts only as what sign-in set.
func TestCookiesThatAreNone(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, func(o *rest.Options) {
		o.Secure = true
		o.Verifier = everything{}
	})
	session := "bs_shop_abcdefghij23_secret"
	for name, c := range map[string]struct {
		cookie string
		code   int
	}{
		"a session's":         {sessionCookie + "=" + session, http.StatusOK},
		"beside others":       {"theme=dark; " + sessionCookie + "=" + session, http.StatusOK},
		"a key":               {sessionCookie + "=" + goodKey, http.StatusUnauthorized},
		"empty":               {sessionCookie + "=", http.StatusUnauthorized},
		"twice":               {sessionCookie + "=" + session + "; " + sessionCookie + "=" + session, http.StatusUnauthorized},
		"without its prefix":  {"beltwright=" + session, http.StatusUnauthorized},
		"of the other name":   {"__Secure-beltwright=" + session, http.StatusUnauthorized},
		"with a space inside": {sessionCookie + "=\"bs_a b\"", http.StatusUnauthorized},
	} {
		if r := d.browsing(http.MethodGet, "/v1/listings", "", c.cookie); r.code != c.code {
			t.Errorf("%s: %d %s", name, r.code, r.text)
		}
	}
}

// TestSignOutThatFails leaves the browser its cookie: who has none can end nothing any
// more, and the session goes on. The control is a sign-out that does not fail, in
// TestBrowserSession.
func TestSignOutThatFails(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, func(o *rest.Options) {
		o.Secure = true
		o.Verifier = everything{}
	})
	r := d.browsing(http.MethodPost, "/v1/sessions:signOut", "{}", sessionCookie+"=bs_shop_abcdefghij23_secret", ownPage, "Content-Type: application/json")
	if r.code != http.StatusNotImplemented || r.header.Get("Set-Cookie") != "" {
		t.Errorf("%d %s, sets %q", r.code, r.text, r.header.Get("Set-Cookie"))
	}
}

// TestFormsLeadOn: a form is answered by a way on, which stays on this server.
func TestFormsLeadOn(t *testing.T) {
	t.Parallel()
	s := live(t, nil)
	s.add(&fitmentv1.Person{Id: "jo"}, passphrase)
	s.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	form := func(values url.Values) (answered, string) {
		return s.ask(http.MethodPost, "/signin", values.Encode(), ownPage, "Content-Type: application/x-www-form-urlencoded")
	}
	for to, want := range map[string]string{"": "/", "/openapi.json": "/openapi.json", "/a?b=c#d": "/a?b=c#d"} {
		response, body := form(url.Values{"login": {"jo@operator"}, "password": {passphrase}, "to": {to}})
		if response.StatusCode != http.StatusSeeOther || response.Header.Get("Location") != want || len(response.Cookies()) != 1 {
			t.Errorf("%q: %d to %q %s", to, response.StatusCode, response.Header.Get("Location"), body)
		}
	}
	for _, to := range []string{"//elsewhere.example", "https://elsewhere.example/", `/\elsewhere.example`, `\\elsewhere.example`, "openapi.json", "/\t/elsewhere.example", "javascript:alert(1)", "/" + strings.Repeat("a", 2000)} {
		response, body := form(url.Values{"login": {"jo@operator"}, "password": {passphrase}, "to": {to}})
		if response.StatusCode != http.StatusBadRequest || len(response.Cookies()) != 0 {
			t.Errorf("%q: %d to %q %s", to, response.StatusCode, response.Header.Get("Location"), body)
		}
	}
	for name, values := range map[string]url.Values{
		"unknown field": {"login": {"jo@operator"}, "password": {passphrase}, "admin": {"1"}},
		"twice":         {"login": {"jo@operator", "sam@operator"}, "password": {passphrase}},
		"no password":   {"login": {"jo@operator"}},
	} {
		if response, body := form(values); response.StatusCode != http.StatusBadRequest {
			t.Errorf("%s: %d %s", name, response.StatusCode, body)
		}
	}
	if response, body := form(url.Values{"login": {"jo@operator"}, "password": {other}}); response.StatusCode != http.StatusUnauthorized || reasonIn(body) != "SIGN_IN_REFUSED" || len(response.Cookies()) != 0 {
		t.Errorf("wrong password: %d %s", response.StatusCode, body)
	}
}

// TestGuessingFromOneAddressIsSlowed: after some failures, whatever the login, an
// address has to wait; the control is an address from which more than that succeed.
func TestGuessingFromOneAddressIsSlowed(t *testing.T) {
	t.Parallel()
	s := live(t, nil, func(o *rest.Options) {
		o.SignIns = guesses.New(guesses.Options{Free: 4, First: time.Hour, Longest: time.Hour})
	})
	s.add(&fitmentv1.Person{Id: "jo"}, passphrase)
	try := func(login, password string) (answered, string) {
		return s.ask(http.MethodPost, "/v1/sessions:signIn", signInBody(login, password))
	}
	for i := range 6 { // the control
		if response, body := try("jo@operator", passphrase); response.StatusCode != http.StatusOK {
			t.Fatalf("sign-in %d: %d %s", i, response.StatusCode, body)
		}
	}
	refused, limited := 0, 0
	for i := range 10 {
		response, body := try("nobody-"+string(rune('a'+i))+"@operator", other)
		switch reasonIn(body) {
		case "SIGN_IN_REFUSED":
			refused++
		case "RATE_LIMITED":
			limited++
			if response.StatusCode != http.StatusTooManyRequests || response.Header.Get("Retry-After") == "" {
				t.Errorf("%d, Retry-After %q", response.StatusCode, response.Header.Get("Retry-After"))
			}
		default:
			t.Errorf("%d %s", response.StatusCode, body)
		}
	}
	if refused != 4 || limited != 6 {
		t.Errorf("%d refused, %d limited", refused, limited)
	}
}

// refusing is a fitment side that refuses whoever signs in, where he is still there.
type refusing struct{ grpc.ClientConnInterface }

func (r refusing) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	switch {
	case method != fitmentv1.IdentityService_SignIn_FullMethodName:
		return r.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
	case ctx.Err() != nil:
		return status.FromContextError(ctx.Err()).Err()
	}
	return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_SIGN_IN_REFUSED, "no")
}

// TestGuessingAndLeavingIsSlowed: who leaves before he is refused has guessed all the
// same. The control is the first guess of somebody who stays.
func TestGuessingAndLeavingIsSlowed(t *testing.T) {
	t.Parallel()
	d := open(t, nothing(), func(o *rest.Options) {
		o.Fitment = refusing{o.Fitment}
		o.SignIns = guesses.New(guesses.Options{Free: 4, First: time.Hour, Longest: time.Hour})
	})
	guess := func(ctx context.Context) int {
		request := httptest.NewRequestWithContext(ctx, http.MethodPost, "/v1/sessions:signIn", strings.NewReader(signInBody("jo@operator", other)))
		request.Header.Set("Content-Type", "application/json")
		answer := httptest.NewRecorder()
		d.handler.ServeHTTP(answer, request)
		return answer.Code
	}
	if code := guess(t.Context()); code != http.StatusUnauthorized {
		t.Errorf("the control: %d", code)
	}
	left, leave := context.WithCancel(t.Context())
	leave()
	for range 3 {
		guess(left)
	}
	if code := guess(t.Context()); code != http.StatusTooManyRequests {
		t.Errorf("after 3 guesses more that were given up: %d", code)
	}
}

// everything accepts every credential.
type everything struct{}

func (everything) Verify(context.Context, string) (identity.Principal, error) {
	return identity.Principal{Tenant: "shop", KeyID: "k", Roles: []identity.Role{identity.Shop}}, nil
}
