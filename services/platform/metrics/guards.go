package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"beltwright.example/services/platform/breaker"
)

// guards are the metrics of what keeps a process standing.
type guards struct {
	state            *prometheus.GaugeVec
	changes          *prometheus.CounterVec
	running, waiting *prometheus.GaugeVec
	breakers         *bound
	classes          *bound
}

const (
	// maxBreakers is well above the number of gRPC services.
	maxBreakers = 64
	// maxClasses is well above the number of classes that calls are limited by.
	maxClasses = 16
)

func newGuards() guards {
	return guards{
		state:    gauge("breaker_state", "What a breaker does: 0 lets calls pass, 1 lets probes pass, 2 lets nothing pass.", "breaker"),
		changes:  counter("breaker_changes_total", "How often a breaker has changed into a state.", "breaker", "state"),
		running:  gauge("limit_running", "Calls that run under the limit of a class.", "class"),
		waiting:  gauge("limit_waiting", "Calls that wait for the limit of a class.", "class"),
		breakers: newBound(maxBreakers),
		classes:  newBound(maxClasses),
	}
}

func (g *guards) collectors() []prometheus.Collector {
	return []prometheus.Collector{g.state, g.changes, g.running, g.waiting}
}

// Breaker notes a breaker's state. It is a breaker.Observer.
func (s *Set) Breaker(status breaker.Status) {
	if s == nil {
		return
	}
	name := s.guards.breakers.label(status.Breaker)
	s.guards.state.WithLabelValues(name).Set(float64(status.State))
	s.guards.changes.WithLabelValues(name, status.State.String()).Inc()
}

// Limit notes by how much the calls that run and that wait under the limit of a
// class have become more or fewer. What is refused for it is counted by its reason
// with the other refusals.
func (s *Set) Limit(class string, running, waiting int) {
	if s == nil {
		return
	}
	class = s.guards.classes.label(class)
	s.guards.running.WithLabelValues(class).Add(float64(running))
	s.guards.waiting.WithLabelValues(class).Add(float64(waiting))
}
