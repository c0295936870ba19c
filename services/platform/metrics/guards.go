package metrics

import (
	"sync"

	"github.com/prometheus/client_golang/prometheus"

	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hedge"
	"beltwright.example/services/platform/limit"
)

// guards are the metrics of what keeps a process standing.
type guards struct {
	state            *prometheus.GaugeVec
	changes, refused *prometheus.CounterVec
	hedges           *prometheus.CounterVec
	breakers         *bound
	classes          *bound
	last             *lastStates
}

// lastStates are the breakers' states as they were told last, since their observer is
// told some again that have not changed.
type lastStates struct {
	mu     sync.Mutex
	states map[string]breaker.State
}

// changed notes a state and tells whether it is another one than before. A breaker
// that nothing was told of was closed.
func (l *lastStates) changed(name string, state breaker.State) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	before := l.states[name]
	l.states[name] = state
	return before != state
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
		refused:  counter("limit_refusals_total", "Calls refused by a limit before they did any work, by why (rate: too many of one caller; door: too many wrong credentials of one address; shed: too much for the server) and class.", "why", "class"),
		hedges:   counter("hedges_total", "Reads that may be asked of two servers, by event: made; repeated, since the first server took unusually long; won by the second one; unpaid, since the budget for repeating was used up.", "event"),
		breakers: newBound(maxBreakers),
		classes:  newBound(maxClasses),
		last:     &lastStates{states: map[string]breaker.State{}},
	}
}

func (g *guards) collectors() []prometheus.Collector {
	return []prometheus.Collector{g.state, g.changes, g.refused, g.hedges}
}

// Breaker notes a breaker's state. It is a breaker.Observer.
func (s *Set) Breaker(status breaker.Status) {
	if s == nil {
		return
	}
	name := s.guards.breakers.label(status.Breaker)
	s.guards.state.WithLabelValues(name).Set(float64(status.State))
	if s.guards.last.changed(name, status.State) {
		s.guards.changes.WithLabelValues(name, status.State.String()).Inc()
	}
}

// Hedge notes what hedging did. It is a hedge.Observer.
func (s *Set) Hedge(event hedge.Event) {
	if s == nil {
		return
	}
	known := []string{hedge.Made.String(), hedge.Repeated.String(), hedge.Won.String(), hedge.Unpaid.String()}
	s.guards.hedges.WithLabelValues(among(known, event.String())).Inc()
}

// Refused notes a call that a limit refused. It is a limit.Observer.
func (s *Set) Refused(why limit.Refusal, class limit.Class) {
	if s == nil {
		return
	}
	known := []string{string(limit.Rate), string(limit.Door), string(limit.Shed)}
	s.guards.refused.WithLabelValues(among(known, string(why)), s.guards.classes.label(string(class))).Inc()
}
