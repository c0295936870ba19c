package rest_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

// promised are the security headers of every answer, to the letter: OWASP's Secure
// Headers Project and ASVS 5.0 (3.4) for answers that are no pages.
var promised = map[string]string{ //nolint:gochecknoglobals // a table
	"Cache-Control":                "no-store",
	"Content-Security-Policy":      "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
	"Cross-Origin-Opener-Policy":   "same-origin",
	"Cross-Origin-Resource-Policy": "same-origin",
	"Permissions-Policy":           "camera=(), display-capture=(), geolocation=(), microphone=(), payment=(), usb=()",
	"Referrer-Policy":              "no-referrer",
	"X-Content-Type-Options":       "nosniff",
}

// others are the headers that an answer may have beside them, as its content asks.
var others = []string{ //nolint:gochecknoglobals // a table
	"Allow", "Connection", "Content-Disposition", "Content-Length", "Content-Type", "Date", "Location", "Retry-After", "Set-Cookie", "Www-Authenticate", "X-Request-Id",
}

// missing says what is wrong with the headers of an answer. With https, browsers must
// be told to come by nothing else; without it, they must not.
func missing(h http.Header, https bool) []string {
	var problems []string
	for name, want := range promised {
		if got := h.Values(name); !slices.Equal(got, []string{want}) {
			problems = append(problems, fmt.Sprintf("%s: %q", name, got))
		}
	}
	strict := h.Values("Strict-Transport-Security")
	if https && !slices.Equal(strict, []string{"max-age=31536000"}) || !https && len(strict) > 0 {
		problems = append(problems, fmt.Sprintf("Strict-Transport-Security: %q", strict))
	}
	for name := range h {
		if _, known := promised[name]; !known && name != "Strict-Transport-Security" && !slices.Contains(others, name) {
			problems = append(problems, name+" is no header that an answer has")
		}
	}
	return problems
}

// templates are all paths that the API's description has, with a name in each place.
func templates(t *testing.T, d *desk) []string {
	t.Helper()
	var document struct {
		Paths map[string]map[string]struct {
			Parameters []struct {
				In      string `json:"in"`
				Pattern string `json:"pattern"`
			} `json:"parameters"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(d.call(http.MethodGet, "/openapi.json", "", noKey).text), &document); err != nil {
		t.Fatal(err)
	}
	placeholder := regexp.MustCompile(`\{[^}]*\}`)
	var all []string
	for path, operations := range document.Paths {
		for _, operation := range operations {
			filled := path
			for _, p := range operation.Parameters {
				if p.In == "path" {
					filled = strings.Replace(filled, placeholder.FindString(filled), strings.ReplaceAll(p.Pattern, "[^/]+", "a.b"), 1)
				}
			}
			all = append(all, placeholder.ReplaceAllString(filled, "a.b"))
		}
	}
	return append(all, "/healthz", "/readyz", "/openapi.json", "/", "/none", "/v1/none", "/v1/listings/%00", "/v1/listings/%ff")
}

// TestEveryAnswerHasItsSecurityHeaders walks every path × method × credential, and the
// outcomes that need more: the set is exact on all of them. The control is a handler
// without the decorator, which the check finds wanting.
func TestEveryAnswerHasItsSecurityHeaders(t *testing.T) {
	t.Parallel()
	// By HTTPS one header comes on top, whatever the request: a few of them do.
	for https, methods := range map[bool][]string{
		false: {"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PURGE"}, true: {"GET", "POST"},
	} {
		d := open(t, nothing(), func(o *rest.Options) { o.Secure = https })
		seen, codes := 0, map[int]int{}
		for _, path := range templates(t, d) {
			if strings.Contains(path, "watch") {
				continue // below: it goes on until its client leaves
			}
			for _, method := range methods {
				for _, credential := range []string{"Authorization: Bearer " + goodKey, noKey, "Authorization: Bearer wrong", "Authorization: Bearer nobody-knows"} {
					r := d.call(method, path, "", credential)
					seen++
					codes[r.code]++
					if problems := missing(r.header, https); len(problems) > 0 {
						t.Errorf("https %v: %s %s with %.22s: %d: %v", https, method, path, credential, r.code, problems)
					}
				}
			}
		}
		for name, r := range outcomes(d) {
			seen++
			codes[r.code]++
			if problems := missing(r.header, https); len(problems) > 0 {
				t.Errorf("https %v: %s: %d: %v", https, name, r.code, problems)
			}
		}
		t.Logf("https %v: %d answers, by status: %v", https, seen, codes)
		for _, code := range []int{200, 400, 401, 403, 404, 405, 413, 415, 501, 503} {
			if codes[code] == 0 {
				t.Errorf("no answer had the status %d; the test reaches less than it says", code)
			}
		}
		if least := len(methods) * 300; seen < least {
			t.Errorf("only %d answers", seen)
		}
	}
	bare := httptest.NewRecorder()
	http.NotFound(bare, nil)
	if len(missing(bare.Header(), false)) < len(promised)-1 { // http.NotFound sets one of them itself
		t.Errorf("the control is not found wanting: %v", bare.Header())
	}
}

// nothing is a fake that has nothing to stream.
func nothing() *fake {
	missing := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is none")
	return &fake{
		upload: func(fitmentv1.EvidenceService_UploadAttachmentServer) error { return missing },
		download: func(*fitmentv1.DownloadAttachmentRequest, fitmentv1.EvidenceService_DownloadAttachmentServer) error {
			return missing
		},
		listings: func(fitmentv1.ListingService_ImportListingsServer) error { return missing },
		offers:   func(quotev1.OfferService_ImportOffersServer) error { return missing },
		ledger:   func(*quotev1.ExportLedgerRequest, ledgerStream) error { return missing },
	}
}

// outcomes are answers that take more than a path and a method.
func outcomes(d *desk) map[string]reply {
	signIn := `{"login":"a@b","password":"p"}`
	return map[string]reply{
		"too large":          d.call("POST", "/v1/fitment:decide", `"`+strings.Repeat("x", 1<<20)+`"`),
		"too large, unknown": d.call("POST", "/v1/sessions:signIn", `"`+strings.Repeat("x", 9<<10)+`"`, noKey),
		"compressed":         d.call("POST", "/v1/fitment:decide", "x", "Content-Encoding: gzip"),
		"a decision":         d.call("POST", "/v1/fitment:decide", `{}`),
		"malformed":          d.call("POST", "/v1/fitment:decide", `{`),
		"other site's page":  d.call("POST", "/signin", signIn, noKey, "Sec-Fetch-Site: cross-site"),
		"no page":            d.call("POST", "/signin", signIn, noKey),
		"a page":             d.call("POST", "/signin", signIn, noKey, "Sec-Fetch-Site: same-origin"),
		"strange timeout":    d.call("GET", "/v1/listings", "", "Grpc-Timeout: soon"),
	}
}

// A public address of HTTPS says that browsers come by it, whatever stands between: they
// are told to stay with it, and their cookies are bound to it. The control is an address
// without.
func TestPublicAddressOfHTTPS(t *testing.T) {
	t.Parallel()
	for address, https := range map[string]bool{"https://parts.example.com": true, "HTTPS://parts.example.com/": true, "http://127.0.0.1:8080": false, "": false} {
		d := open(t, nothing(), func(o *rest.Options) {
			o.PublicURL = address
			o.Verifier = everything{}
		})
		if problems := missing(d.call(http.MethodGet, "/healthz", "", noKey).header, https); len(problems) > 0 {
			t.Errorf("%q: %v", address, problems)
		}
		r := d.browsing(http.MethodGet, "/v1/listings", "", sessionCookie+"=bs_shop_abcdefghij23_secret")
		if (r.code == http.StatusOK) != https {
			t.Errorf("%q: a cookie bound to HTTPS: %d %s", address, r.code, r.text)
		}
	}
}

// Streams, documents and files have them too, and so has what panics.
func TestLongAnswersHaveSecurityHeaders(t *testing.T) {
	t.Parallel()
	f := &fake{
		watch: func(_ *fitmentv1.WatchDonorsRequest, stream fitmentv1.FitmentService_WatchDonorsServer) error {
			return stream.Send(&fitmentv1.WatchDonorsResponse{Revision: "r1"})
		},
		listings: func(stream fitmentv1.ListingService_ImportListingsServer) error {
			for {
				if _, err := stream.Recv(); err != nil {
					break
				}
			}
			return stream.Send(&fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Summary{Summary: &fitmentv1.ImportSummary{}}})
		},
	}
	d := open(t, f, func(o *rest.Options) {
		o.Ready = func(context.Context) error { panic("on purpose") } //nolint:forbidigo // what is tested
	})
	for name, r := range map[string]reply{
		"watch":  d.call("GET", "/v1/needs/a:watch", ""),
		"import": d.call("POST", "/v1/listings:import", "a,b\n", "Content-Type: text/csv"),
		"panic":  d.call("GET", "/readyz", "", noKey),
	} {
		if problems := missing(r.header, false); len(problems) > 0 {
			t.Errorf("%s: %d: %v", name, r.code, problems)
		}
		if want := map[string]int{"watch": 200, "import": 200, "panic": 500}[name]; r.code != want {
			t.Errorf("%s: %d %s", name, r.code, r.text)
		}
	}
}

// browsing is a browser's request: with cookies, and what it says of the page.
func (d *desk) browsing(method, path, body, cookie string, headers ...string) reply {
	d.t.Helper()
	request, err := http.NewRequestWithContext(d.t.Context(), method, d.base+path, strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	if cookie != "" {
		request.Header.Set("Cookie", cookie)
	}
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		request.Header.Add(name, value)
	}
	response, err := d.client.Do(request)
	if err != nil {
		d.t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return reply{code: response.StatusCode, header: response.Header, text: string(raw)}
}
