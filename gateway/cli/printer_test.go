package cli

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// TestWhatNext: an error that somebody at the command line can mend says how, and no
// other says anything.
func TestWhatNext(t *testing.T) {
	t.Parallel()
	for name, test := range map[string]struct {
		code    codes.Code
		reason  fitmentv1.ErrorInfo_Reason
		message string
		want    string
	}{
		"wrong key":      {codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "wrong", "--key-file"},
		"wrong desk":     {codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING, "may not", "--key-file"},
		"quote apart":    {codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN, "no such method", "--quote-server"},
		"nobody there":   {codes.Unavailable, fitmentv1.ErrorInfo_REASON_UNSPECIFIED, "connect: connection refused", "is the server running?"},
		"it speaks TLS":  {codes.Unavailable, fitmentv1.ErrorInfo_REASON_UNSPECIFIED, "error reading server preface: EOF", "--tls"},
		"not let in":     {codes.Unavailable, fitmentv1.ErrorInfo_REASON_UNSPECIFIED, "error reading server preface: remote error: tls: bad certificate", "authority"},
		"behind it down": {codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "the fitment service does not answer", ""},
		"any other":      {codes.NotFound, fitmentv1.ErrorInfo_REASON_UNSPECIFIED, "there is none", ""},
	} {
		got := whatNext(status.New(test.code, test.message), test.reason)
		if !strings.Contains(got, test.want) || (got == "") != (test.want == "") {
			t.Errorf("%s: %q, wanted %q", name, got, test.want)
		}
	}
}

// TestWaits: how long to wait is said once, in seconds.
func TestWaits(t *testing.T) {
	t.Parallel()
	for reason, want := range map[fitmentv1.ErrorInfo_Reason]string{
		fitmentv1.ErrorInfo_RATE_LIMITED: "too many; wait 3 seconds",
		fitmentv1.ErrorInfo_OVERLOADED:   "too many; wait 3 seconds\n  trying again is worth it after 3s",
	} {
		err := apierr.Retry(codes.ResourceExhausted, reason, 2500*time.Millisecond, "too many; wait 3 seconds")
		if got := explain(nil, err); got != want {
			t.Errorf("%v: %q, wanted %q", reason, got, want)
		}
	}
}

// TestHealthWords: an answer of ours is told by its message, another one as it is.
func TestHealthWords(t *testing.T) {
	t.Parallel()
	for body, want := range map[string]string{
		`{"code":14,"message":"not ready to serve","details":[]}`: "not ready to serve",
		"Client sent an HTTP request to an HTTPS server.\n":       "Client sent an HTTP request to an HTTPS server.",
		`{"status":"broken"}`: `{"status":"broken"}`,
		"":                    "",
	} {
		if got := healthWords([]byte(body)); got != want {
			t.Errorf("%q is told as %q, wanted %q", body, got, want)
		}
	}
}

// TestWholeSeconds: a wait is told in whole seconds, never too short.
func TestWholeSeconds(t *testing.T) {
	t.Parallel()
	for wait, want := range map[time.Duration]time.Duration{
		0: 0, 1: time.Second, time.Second: time.Second, 1001 * time.Millisecond: 2 * time.Second,
		56*time.Minute + 59023489788: 57 * time.Minute,
	} {
		if got := wholeSeconds(wait); got != want {
			t.Errorf("%s becomes %s, wanted %s", wait, got, want)
		}
	}
}
