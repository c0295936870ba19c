package rest_test

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/issuer/issuertest"
)

// TestSignInByProvider goes the whole way: gateway, provider, gateway, fitment service,
// and on with a cookie to where the browser wanted to go.
func TestSignInByProvider(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	s := live(t, at)
	s.add(&fitmentv1.Person{Id: "jo", Issuer: at.URL, Subject: "subject-1"}, "")
	at.Subject("subject-1")
	response, body := s.ask(http.MethodGet, "/signin/oidc?to=/v1/credential:verify", "")
	if response.StatusCode != http.StatusOK || !strings.Contains(body, `"person":"people/operator.jo"`) || s.cookie(oidcCookie) != "" || at.Begun() != 1 {
		t.Fatalf("%d %s", response.StatusCode, body)
	}
	// Nobody is made by signing in, and nobody else is let in by the password door.
	found, err := s.people.ListPeople(s.admin, &fitmentv1.ListPeopleRequest{})
	if err != nil || len(found.GetPeople()) != 1 {
		t.Errorf("%v, %v", found, err)
	}
}

// TestSignInByProviderThatIsRefused: each case differs from the good one above, and
// from the good one at its end, in one thing.
func TestSignInByProviderThatIsRefused(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	s := live(t, at)
	s.add(&fitmentv1.Person{Id: "jo", Issuer: at.URL, Subject: "subject-1"}, "")
	claim := func(name string, value any) func(map[string]any) {
		return func(claims map[string]any) { claims[name] = value }
	}
	way := func() (int, string) {
		response, body := s.ask(http.MethodGet, "/signin/oidc?to=/healthz", "")
		return response.StatusCode, body
	}
	for name, c := range map[string]struct {
		subject string
		change  func(map[string]any)
		sign    func(map[string]any) string
	}{
		"unknown subject":       {"subject-2", nil, nil},
		"another nonce":         {"subject-1", claim("nonce", "x"), nil},
		"another audience":      {"subject-1", claim("aud", "somebody-else"), nil},
		"expired":               {"subject-1", claim("exp", time.Now().Add(-time.Minute).Unix()), nil},
		"another issuer":        {"subject-1", claim("iss", "https://other.example"), nil},
		"signed with none":      {"subject-1", nil, at.Unsigned},
		"signed by the public":  {"subject-1", nil, at.SignShared},
		"signed by another key": {"subject-1", nil, at.SignForeign},
		"no token":              {"subject-1", nil, func(map[string]any) string { return "" }},
	} {
		at.Subject(c.subject)
		at.Change(c.change, c.sign)
		if code, body := way(); code != http.StatusUnauthorized || reasonIn(body) != "SIGN_IN_REFUSED" || s.cookie(sessionCookie) != "" || s.cookie(oidcCookie) != "" {
			t.Errorf("%s: %d %s", name, code, body)
		}
	}
	at.Subject("subject-1")
	at.Change(nil, nil)
	if code, body := way(); code != http.StatusOK || s.cookie(sessionCookie) == "" {
		t.Errorf("the control: %d %s", code, body)
	}
}

// TestNothingOfASignInIsGoodTwice: neither the way back, nor the code, nor the token.
func TestNothingOfASignInIsGoodTwice(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	s := live(t, at)
	s.add(&fitmentv1.Person{Id: "jo", Issuer: at.URL, Subject: "subject-1"}, "")
	at.Subject("subject-1")
	token := ""
	at.Change(nil, func(claims map[string]any) string {
		token = at.Sign(claims)
		return token
	})
	back, sealed := "", ""
	s.client.CheckRedirect = func(r *http.Request, _ []*http.Request) error {
		if r.URL.Path == "/signin/oidc/callback" {
			back, sealed = r.URL.RequestURI(), s.cookie(oidcCookie)
		}
		return nil
	}
	if response, body := s.ask(http.MethodGet, "/signin/oidc?to=/healthz", ""); response.StatusCode != http.StatusOK || back == "" || sealed == "" {
		t.Fatalf("%d %s", response.StatusCode, body)
	}
	signOut := func() {
		if response, body := s.ask(http.MethodPost, "/v1/sessions:signOut", "{}", ownPage); response.StatusCode != http.StatusOK {
			t.Fatalf("%d %s", response.StatusCode, body)
		}
	}
	signOut()
	refused := func(what, path, cookie string) {
		t.Helper()
		if cookie != "" {
			where, err := url.Parse(s.url)
			if err != nil {
				t.Fatal(err)
			}
			s.client.Jar.SetCookies(where, []*http.Cookie{{Name: oidcCookie, Value: cookie, Path: "/", Secure: true}})
		}
		if response, body := s.ask(http.MethodGet, path, ""); response.StatusCode != http.StatusUnauthorized || reasonIn(body) != "SIGN_IN_REFUSED" || s.cookie(sessionCookie) != "" {
			t.Errorf("%s: %d %s", what, response.StatusCode, body)
		}
	}
	refused("the way back again", back, "")
	refused("the way back again, with what went along", back, sealed)
	refused("another state", strings.Replace(back, "state=", "state=A", 1), sealed)
	refused("no state", "/signin/oidc/callback?code=x", sealed)
	refused("another issuer's word", back+"&iss=https%3A%2F%2Fother.example", sealed)
	refused("the provider's refusal", back[:strings.Index(back, "?")+1]+strings.Replace(back[strings.Index(back, "?")+1:], "code=", "error=", 1), sealed)
	refused("something else along", back, sealed[:len(sealed)-2]+"AA")
	refused("nothing sealed", back, "e30")
	// The token itself, by gRPC, with its own nonce.
	request := &fitmentv1.SignInWithTokenRequest{IdToken: token, Nonce: nonceOf(t, token)}
	if _, err := s.people.SignInWithToken(t.Context(), request); status.Code(err) != codes.Unauthenticated {
		t.Errorf("the token again: %v", err)
	}
	fresh := at.Sign(at.Claims("subject-1", "nonce of a program"))
	request = &fitmentv1.SignInWithTokenRequest{IdToken: fresh, Nonce: "nonce of a program"}
	answer, err := s.people.SignInWithToken(t.Context(), request) // the control
	if err != nil {
		t.Fatal(err)
	}
	if who, err := s.people.VerifyCredential(auth.WithKey(t.Context(), answer.GetCredential()), &fitmentv1.VerifyCredentialRequest{}); err != nil || who.GetPerson() != "people/operator.jo" {
		t.Errorf("%v, %v", who, err)
	}
	if _, err := s.people.SignInWithToken(t.Context(), request); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a token again: %v", err)
	}
	request.IdToken = rewritten(fresh)
	if _, err := s.people.SignInWithToken(t.Context(), request); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a token again, in other letters: %v", err)
	}
}

// rewritten is a token with another last letter, whose lowest bits mean nothing.
func rewritten(token string) string {
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	last := strings.IndexByte(letters, token[len(token)-1])
	return token[:len(token)-1] + letters[last^1:last^1+1]
}

// TestProviderThatIsDownAtTheStart: the server starts, says so to whoever comes by the
// provider, lets people in by password, and takes the provider once it is there.
func TestProviderThatIsDownAtTheStart(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	at.Down(true)
	s := live(t, at)
	s.add(&fitmentv1.Person{Id: "jo", Issuer: at.URL, Subject: "subject-1"}, passphrase)
	at.Subject("subject-1")
	if response, body := s.ask(http.MethodGet, "/signin/oidc", ""); response.StatusCode != http.StatusServiceUnavailable || reasonIn(body) != "DEPENDENCY_DOWN" || response.Header.Get("Retry-After") == "" {
		t.Errorf("%d %s", response.StatusCode, body)
	}
	if response, body := s.ask(http.MethodPost, "/v1/sessions:signIn", signInBody("jo@operator", passphrase)); response.StatusCode != http.StatusOK {
		t.Errorf("by password: %d %s", response.StatusCode, body)
	}
	at.Down(false)
	for began := time.Now(); ; {
		response, body := s.ask(http.MethodGet, "/signin/oidc?to=/healthz", "")
		if response.StatusCode == http.StatusOK {
			break
		}
		if time.Since(began) > 20*time.Second {
			t.Fatalf("it is not taken again: %d %s", response.StatusCode, body)
		}
	}
}

// Without a provider there is no such way.
func TestNoProvider(t *testing.T) {
	t.Parallel()
	d := open(t, nothing(), nil)
	for _, path := range []string{"/signin/oidc", "/signin/oidc/callback?code=x&state=y"} {
		d.expect(d.call(http.MethodGet, path, "", noKey), http.StatusNotFound, "ROUTE_UNKNOWN")
	}
}

// nonceOf reads the nonce of a token.
func nonceOf(t *testing.T, token string) string {
	t.Helper()
	raw, err := base64.RawURLEncoding.DecodeString(strings.Split(token, ".")[1])
	if err != nil {
		t.Fatal(err)
	}
	var claims struct {
		Nonce string `json:"nonce"`
	}
	if err := json.Unmarshal(raw, &claims); err != nil || claims.Nonce == "" {
		t.Fatalf("%s: %v", raw, err)
	}
	return claims.Nonce
}
