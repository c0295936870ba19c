package rest

import (
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// TestTimeoutsAreReadAsGRPCWritesThem: the form is that of "gRPC over HTTP2"
// (grpc/doc/PROTOCOL-HTTP2.md, Timeout).
func TestTimeoutsAreReadAsGRPCWritesThem(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]time.Duration{
		"200m": 200 * time.Millisecond, "1S": time.Second, "2M": 2 * time.Minute, "3H": 3 * time.Hour,
		"5u": 5 * time.Microsecond, "99999999n": 99999999 * time.Nanosecond, "00000001S": time.Second,
		"99999999H": 24 * time.Hour, "99999999M": 24 * time.Hour, // capped: longer than any limit of ours
		"": 0, "m": 0, "200": 0, "0m": 0, "-1S": 0, "+1S": 0, "1.5S": 0, "1s": 0, "123456789m": 0, " 1S": 0, "1 S": 0, "1S ": 0, "١S": 0,
	} {
		if got, ok := parseTimeout(text); got != want || ok != (want != 0) {
			t.Errorf("%q: %v, %v; want %v", text, got, ok, want)
		}
	}
}

func FuzzTimeout(f *testing.F) {
	for _, seed := range []string{"200m", "1S", "99999999H", "", "m", "0n", "18446744073709551615n", "1ſ"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, ok := parseTimeout(text)
		if !ok {
			if got != 0 {
				t.Fatalf("%q is refused with a value", text)
			}
			return
		}
		if got <= 0 || got > 24*time.Hour || len(text) < 2 || len(text) > 9 || strings.Trim(text[:len(text)-1], "0123456789") != "" {
			t.Fatalf("%q was read as %v", text, got)
		}
		// Written again in nanoseconds or seconds it is read as the same.
		again := strconv.FormatInt(int64(got), 10) + "n"
		if got >= 100*time.Millisecond {
			again = strconv.FormatInt(int64(got/time.Second), 10) + "S"
			got = got.Truncate(time.Second)
		}
		if back, _ := parseTimeout(again); back != got {
			t.Fatalf("%q: %v, again %v", text, got, back)
		}
	})
}

// TestAClientsPatienceIsTheRequestsDeadline, and one that cannot be read is refused
// before anything is done.
func TestAClientsPatienceIsTheRequestsDeadline(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		headers []string
		served  bool
		within  time.Duration // 0: no deadline
	}{
		"none":    {nil, true, 0},
		"a wait":  {[]string{"200m"}, true, 200 * time.Millisecond},
		"garbage": {[]string{"soon"}, false, 0},
		"two":     {[]string{"1S", "2S"}, false, 0},
		"empty":   {[]string{""}, false, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			served := false
			began := time.Now()
			handler := patient(func(_ http.ResponseWriter, r *http.Request) error {
				served = true
				deadline, set := r.Context().Deadline()
				if set != (c.within != 0) || set && (deadline.Before(began.Add(c.within)) || deadline.After(time.Now().Add(c.within))) {
					t.Errorf("deadline %v after the start, set %v; want %v", deadline.Sub(began), set, c.within)
				}
				return nil
			})
			r := httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil)
			r.Header["Grpc-Timeout"] = c.headers
			err := handler(httptest.NewRecorder(), r)
			if served != c.served {
				t.Errorf("it was served: %v, want %v", served, c.served)
			}
			if refused := apierr.ReasonOf(err) == fitmentv1.ErrorInfo_MALFORMED_REQUEST; refused == served {
				t.Errorf("%v", err)
			}
		})
	}
}
