package rest

import (
	"context"
	"net/http"
	"strconv"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// timeoutHeader is how a client says how long it waits: the header that gRPC has for
// it, in gRPC's form ("200m" is 200 milliseconds). The time is passed on, so that no
// service works for a client that is gone, and the answer, an error at the worst,
// comes within it. It only ever shortens the gateway's own limits.
const timeoutHeader = "Grpc-Timeout"

// patient gives requests the deadline that their header asks for.
func patient(next func(w http.ResponseWriter, r *http.Request) error) func(w http.ResponseWriter, r *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		values := r.Header.Values(timeoutHeader)
		if len(values) == 0 {
			return next(w, r)
		}
		wait, ok := parseTimeout(values[0])
		if !ok || len(values) > 1 {
			return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
				"the header %s is not understood; expected it once, 1 to 8 digits and a unit of H, M, S, m, u or n, such as 200m for 200 milliseconds", timeoutHeader)
		}
		ctx, cancel := context.WithTimeout(r.Context(), wait)
		defer cancel()
		return next(w, r.WithContext(ctx))
	}
}

// maxTimeoutDigits is how many digits a timeout has at most.
const maxTimeoutDigits = 8

// parseTimeout reads a timeout in the form of gRPC over HTTP/2 (PROTOCOL-HTTP2,
// Timeout): a positive integer of at most eight digits and a unit.
func parseTimeout(text string) (time.Duration, bool) {
	units := map[byte]time.Duration{
		'H': time.Hour, 'M': time.Minute, 'S': time.Second,
		'm': time.Millisecond, 'u': time.Microsecond, 'n': time.Nanosecond,
	}
	last := len(text) - 1
	if last < 1 || last > maxTimeoutDigits {
		return 0, false
	}
	unit, known := units[text[last]]
	count, err := strconv.ParseUint(text[:last], 10, 32)
	if !known || err != nil || count == 0 {
		return 0, false
	}
	// At most 99,999,999 hours, which is more than a Duration holds.
	const longest = 24 * time.Hour
	if time.Duration(count) > longest/unit {
		return longest, true
	}
	return time.Duration(count) * unit, true
}
