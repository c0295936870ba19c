package rest

import (
	"net/http"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/requestid"
	"beltwright.example/services/platform/telemetry"
)

// identified gives a request its id, the caller's where it is well-formed, and tells
// it in the answer. All decorators behind it find a *watchedWriter.
func identified(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := requestid.Choose(r.Header.Values(requestid.Header))
		w.Header().Set(requestid.Header, id)
		next.ServeHTTP(&watchedWriter{ResponseWriter: w, long: long(r)}, r.WithContext(requestid.NewContext(r.Context(), id)))
	})
}

// measured counts requests by the templates of their routes.
func measured(set *metrics.Set, known routes, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ended := set.Request(r.Method)
		defer func() {
			code, reason := outcome(w)
			ended(known.template(r.URL.Path, r.Method), code, reason)
		}()
		next.ServeHTTP(w, r)
	})
}

// traced makes spans of requests, named by the templates of their routes.
func traced(traces *telemetry.Traces, known routes, next http.Handler) http.Handler {
	if traces == nil {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r, ended := traces.Request(r, known.template(r.URL.Path, r.Method))
		defer func() {
			code, _ := outcome(w)
			ended(code)
		}()
		next.ServeHTTP(w, r)
	})
}

// outcome is what was answered: the status, which is 200 where nothing was written,
// and the reason of the error, if it was one.
func outcome(w http.ResponseWriter) (int, fitmentv1.ErrorInfo_Reason) {
	watched, ok := w.(*watchedWriter)
	if !ok || watched.code == 0 {
		return http.StatusOK, fitmentv1.ErrorInfo_REASON_UNSPECIFIED
	}
	return watched.code, watched.reason
}
