package rest

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
)

// sessionPrefix opens the credentials that a cookie may carry: those of sessions. A
// key in a cookie would be no less of a secret and no easier to end.
const sessionPrefix = "bs_"

// browser is what is peculiar to clients that are browsers: they send cookies by
// themselves, whoever's page makes them.
type browser struct {
	// https tells that they reach us by HTTPS.
	https bool
	// protection tells requests of other sites' pages.
	protection *http.CrossOriginProtection
}

// newBrowser returns it; address is where clients reach REST, which may have another
// name than the one that a proxy calls us by; "" where that is not known.
func newBrowser(https bool, address string) (browser, error) {
	b := browser{https: https, protection: http.NewCrossOriginProtection()}
	if address == "" {
		return b, nil
	}
	u, err := url.Parse(address)
	if err == nil {
		err = b.protection.AddTrustedOrigin(u.Scheme + "://" + u.Host)
	}
	if err != nil {
		return browser{}, fmt.Errorf("rest: public address %q: expected one such as https://parts.example.com", address)
	}
	return b, nil
}

// cookieName is the name of a cookie. By HTTPS it says that it was set here, for this
// host alone and by HTTPS (RFC 6265bis, section 4.1.3.2: the prefix __Host-); without,
// which is for one's own machine, browsers would not keep such a one.
func (b browser) cookieName(name string) string {
	if b.https {
		return "__Host-" + name
	}
	return name
}

// Names of cookies.
const (
	sessionCookie = "beltwright"
	oidcCookie    = "beltwright-oidc"
)

// set has the browser keep a cookie until a time; with an empty value it forgets it.
// No script sees it, and no other site's page sends it along but by a link to here.
func (b browser) set(w http.ResponseWriter, name, value string, until time.Time) {
	cookie := &http.Cookie{ //nolint:gosec // without Secure only where there is no HTTPS, which is on one's own machine
		Name: b.cookieName(name), Value: value, Path: "/", Secure: b.https, HttpOnly: true, SameSite: http.SameSiteLaxMode,
		Expires: until.UTC(),
	}
	if value == "" {
		cookie.Expires, cookie.MaxAge = time.Time{}, -1
	}
	http.SetCookie(w, cookie)
}

// cookie reads a cookie; false where there is none, or more than one.
func (b browser) cookie(r *http.Request, name string) (string, bool) {
	found := r.CookiesNamed(b.cookieName(name))
	if len(found) != 1 || found[0].Value == "" {
		return "", false
	}
	return found[0].Value, true
}

// carries tells whether a request has a session's cookie, be it what it may.
func (b browser) carries(r *http.Request) bool {
	return len(r.CookiesNamed(b.cookieName(sessionCookie))) > 0
}

// credential is what a request proves itself by: a header, or the cookie of a session
// where there is no header. Both together are refused: somebody is confused about who
// he is.
func (b browser) credential(r *http.Request) (string, error) {
	headers := r.Header.Values("Authorization")
	switch {
	case len(headers) == 1 && !b.carries(r):
		if key, ok := auth.Parse(headers[0]); ok {
			return key, nil
		}
	case len(headers) == 0 && b.carries(r):
		value, ok := b.cookie(r, sessionCookie)
		key, parses := auth.Parse("Bearer " + value)
		if !ok || !parses || !strings.HasPrefix(key, sessionPrefix) {
			break
		}
		return key, b.own(r)
	}
	return "", auth.Invalid()
}

// own refuses what changes something where a cookie is all that proves it, and the
// browser does not say that a page of ours asked for it.
func (b browser) own(r *http.Request) error {
	switch r.Method {
	case http.MethodGet, http.MethodHead, http.MethodOptions:
		return nil
	}
	if r.Header.Get("Sec-Fetch-Site") == "" && r.Header.Get("Origin") == "" {
		return crossSite("the request does not say which page made it; a program signs in at POST " + signInPath + " and sends the credential in the header Authorization")
	}
	return b.foreign(r)
}

// foreign refuses what changes something and comes from another site's page.
func (b browser) foreign(r *http.Request) error {
	if b.protection.Check(r) != nil {
		return crossSite("a page of another site made this request")
	}
	return nil
}

func crossSite(text string) error {
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_CROSS_SITE, "%s", text)
}
