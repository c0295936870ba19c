package rest

import (
	"context"
	"mime"
	"net/http"
	"net/url"
	"strings"
	"unicode"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/apierr"
)

// Paths of signing in and out.
const (
	// signInPath answers with the credential, for programs.
	signInPath = "/v1/sessions:signIn"
	// browserPath keeps the credential in a cookie, for browsers.
	browserPath = "/signin"
	// providerPath leads to the identity provider, and callbackPath back from it.
	providerPath = "/signin/oidc"
	callbackPath = "/signin/oidc/callback"
	// signOutPath ends a session.
	signOutPath = "/v1/sessions:signOut"
)

// maxSignIn bounds what is read of somebody whom nobody knows yet, in bytes.
const maxSignIn = 8 << 10

// public serves what needs no credential; false where the request is none of that.
func (g *gateway) public(w http.ResponseWriter, r *http.Request) bool {
	var serve func(w http.ResponseWriter, r *http.Request) error
	switch r.Method + " " + r.URL.Path {
	case "GET /healthz":
		writeJSON(w, http.StatusOK, []byte(`{"status":"alive"}`))
		return true
	case "GET /readyz":
		g.ready(w, r)
		return true
	case "GET /openapi.json":
		writeJSON(w, http.StatusOK, g.openapi)
		return true
	case "POST " + signInPath:
		serve = g.signInProgram
	case "POST " + browserPath:
		serve = g.signInBrowser
	case "GET " + providerPath:
		serve = g.toProvider
	case "GET " + callbackPath:
		serve = g.fromProvider
	default:
		return false
	}
	if err := patient(serve)(w, r); err != nil {
		writeError(w, err)
	}
	return true
}

// signInProgram answers a login and its password with the session's credential.
func (g *gateway) signInProgram(w http.ResponseWriter, r *http.Request) error {
	// It sets no cookie, so that other sites' pages cannot use it to sign anybody in;
	// but they must not guess passwords from their readers' addresses.
	if err := g.browser.foreign(r); err != nil {
		return err
	}
	request := &fitmentv1.SignInRequest{}
	if err := (&exchange{writer: w, request: r}).fill(request, maxSignIn); err != nil {
		return err
	}
	answer, err := g.signIn(r, request)
	if err != nil {
		return err
	}
	raw, err := answers.JSON(answer)
	if err != nil {
		return err
	}
	writeJSON(w, http.StatusOK, raw)
	return nil
}

// signInBrowser answers with a cookie. A form is answered by a way on, JSON by the
// session; neither gets to see the credential.
func (g *gateway) signInBrowser(w http.ResponseWriter, r *http.Request) error {
	if err := g.browser.own(r); err != nil {
		return err
	}
	request, to := &fitmentv1.SignInRequest{}, ""
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	form := kind == "application/x-www-form-urlencoded"
	var err error
	if form {
		to, err = readForm(&exchange{writer: w, request: r}, request)
	} else {
		err = (&exchange{writer: w, request: r}).fill(request, maxSignIn)
	}
	if err != nil {
		return err
	}
	answer, err := g.signIn(r, request)
	if err != nil {
		return err
	}
	if form {
		g.begin(w, answer.GetSession(), answer.GetCredential())
		w.Header().Set("Location", to)
		w.WriteHeader(http.StatusSeeOther)
		return nil
	}
	raw, err := answers.JSON(&fitmentv1.SignInResponse{Session: answer.GetSession()})
	if err != nil {
		return err
	}
	g.begin(w, answer.GetSession(), answer.GetCredential())
	writeJSON(w, http.StatusOK, raw)
	return nil
}

// readForm reads a form that signs in: login, password, and where to go on.
func readForm(e *exchange, into *fitmentv1.SignInRequest) (to string, err error) {
	raw, err := e.read(maxSignIn)
	if err != nil {
		return "", err
	}
	values, err := url.ParseQuery(string(raw))
	if err != nil {
		return "", apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "the form cannot be read; expected login=…&password=…")
	}
	for name, all := range values {
		if name != "login" && name != "password" && name != "to" || len(all) != 1 {
			return "", apierr.Invalid(fitmentv1.ErrorInfo_FIELD_UNKNOWN, apierr.Violation{
				Field: "form", Problem: "has a field that is not known, or one twice", Expected: "login, password and, if need be, to",
			})
		}
	}
	into.Login, into.Password = values.Get("login"), values.Get("password")
	return onward(values.Get("to"))
}

// onward is where a browser goes on after it has signed in: a path of this server and
// nothing that a browser could take for another one.
func onward(to string) (string, error) {
	if to == "" {
		return "/", nil
	}
	u, err := url.Parse(to)
	if err != nil || !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || u.Scheme != "" || u.Host != "" ||
		strings.ContainsAny(to, "\\") || strings.ContainsFunc(to, unicode.IsControl) || len(to) > 1000 {
		return "", apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "to", Problem: "is no path of this server", Expected: "a path such as /openapi.json",
		})
	}
	return u.String(), nil
}

// signIn asks the fitment service. Tries that fail are counted here by the address
// that they come from, since for the service they all come from us.
func (g *gateway) signIn(r *http.Request, request *fitmentv1.SignInRequest) (*fitmentv1.SignInResponse, error) {
	var answer *fitmentv1.SignInResponse
	err := g.tried(r, func(ctx context.Context) (err error) {
		answer, err = fitmentv1.NewIdentityServiceClient(g.options.Fitment).SignIn(ctx, request)
		return err
	})
	return answer, err
}

// tried makes one try to sign in, and sees to its end although whoever made it may have
// left: he has tried all the same.
func (g *gateway) tried(r *http.Request, try func(ctx context.Context) error) error {
	place, _ := placeIn(r.Context())
	if err := g.options.SignIns.Begin(place); err != nil {
		return err
	}
	made := metadata.NewOutgoingContext(context.WithoutCancel(r.Context()), metadata.MD{})
	ctx, cancel := context.WithTimeout(made, g.options.Timeout)
	defer cancel()
	err := try(ctx)
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_SIGN_IN_REFUSED {
		g.options.SignIns.Undo(place) // it succeeded, or nobody could tell
	}
	return jsonPaths(err)
}

// begin has the browser keep a session's credential for as long as it lasts.
func (g *gateway) begin(w http.ResponseWriter, session *fitmentv1.Session, credential string) {
	g.browser.set(w, sessionCookie, credential, session.GetExpireTime().AsTime())
}
