package metrics

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// web are the metrics of REST requests.
type web struct {
	requests, refusals *prometheus.CounterVec
	seconds            *prometheus.HistogramVec
	inFlight           prometheus.Gauge
	routes             *bound
}

// maxRoutes is well above the number of routes.
const maxRoutes = 512

func newWeb() web {
	return web{
		requests: counter("http_requests_total", "REST requests that have ended, by route template, method and status.", "route", "method", "status"),
		seconds:  histogram("http_seconds", "How long REST requests took, by route template and method. A watch takes as long as it is open.", durations(), "route", "method"),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{Name: prefix + "http_in_flight", Help: "REST requests under way."}),
		refusals: counter("http_refusals_total", "REST requests that were answered with an error, by its reason.", "reason"),
		routes:   newBound(maxRoutes),
	}
}

func (w *web) collectors() []prometheus.Collector {
	return []prometheus.Collector{w.requests, w.seconds, w.inFlight, w.refusals}
}

// Request notes that a REST request has begun. What it returns notes the end: the
// route is its template, "" where there is none, the reason that of the error that
// was answered, unspecified where none was.
func (s *Set) Request(method string) (ended func(route string, status int, reason fitmentv1.ErrorInfo_Reason)) {
	if s == nil {
		return func(string, int, fitmentv1.ErrorInfo_Reason) {}
	}
	began := time.Now()
	s.web.inFlight.Inc()
	return func(route string, status int, reason fitmentv1.ErrorInfo_Reason) {
		s.web.inFlight.Dec()
		route, method := s.web.routes.label(route), verbLabel(method)
		s.web.requests.WithLabelValues(route, method, statusLabel(status)).Inc()
		s.web.seconds.WithLabelValues(route, method).Observe(time.Since(began).Seconds())
		if reason != fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
			s.web.refusals.WithLabelValues(reasonLabel(reason)).Inc()
		}
	}
}

func verbLabel(method string) string {
	verbs := []string{http.MethodGet, http.MethodPost, http.MethodPatch, http.MethodPut, http.MethodDelete, http.MethodHead, http.MethodOptions}
	if slices.Contains(verbs, method) {
		return method
	}
	return other
}

func statusLabel(status int) string {
	if http.StatusText(status) == "" {
		return other
	}
	return strconv.Itoa(status)
}
