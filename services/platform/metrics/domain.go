package metrics

import (
	"fmt"

	"github.com/prometheus/client_golang/prometheus"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// domain are the metrics of what the program is for.
type domain struct {
	findings, decisions, holds *prometheus.CounterVec
	rules                      *bound
}

// maxRules is well above the number of rules.
const maxRules = 128

// HoldEvent is what became of a hold.
type HoldEvent string

// What becomes of holds.
const (
	// HoldTaken is a listing reserved that nobody held.
	HoldTaken HoldEvent = "taken"
	// HoldExtended is a hold renewed by its holder.
	HoldExtended HoldEvent = "extended"
	// HoldReleased is a hold given back.
	HoldReleased HoldEvent = "released"
	// HoldSold is a hold that ended as a sale.
	HoldSold HoldEvent = "sold"
	// HoldExpired is a hold whose time ran out before any of these: the holder lost
	// the part.
	HoldExpired HoldEvent = "expired"
)

// holdEvents lists them all.
func holdEvents() []HoldEvent {
	return []HoldEvent{HoldTaken, HoldExtended, HoldReleased, HoldSold, HoldExpired}
}

func newDomain() domain {
	d := domain{
		findings:  counter("findings_total", "What rules found in decisions that were answered, by rule and answer.", "rule", "answer"),
		decisions: counter("decisions_total", "Decisions that were answered, by verdict: the share of PROVE_FIRST among all is how often a part could not be told to fit from what its listing shows.", "verdict"),
		holds:     counter("holds_total", "What became of holds: taken, extended, released, sold, or expired before anything else.", "event"),
		rules:     newBound(maxRules),
	}
	verdicts := fitmentv1.Decision_VERDICT_UNSPECIFIED.Descriptor().Values()
	for i := 1; i < verdicts.Len(); i++ { // all but the unspecified one, so that a share has both its numbers from the start
		d.decisions.WithLabelValues(string(verdicts.Get(i).Name()))
	}
	for _, event := range holdEvents() {
		d.holds.WithLabelValues(string(event))
	}
	return d
}

func (d *domain) collectors() []prometheus.Collector {
	return []prometheus.Collector{d.findings, d.decisions, d.holds}
}

// Decided notes a decision that was answered.
func (s *Set) Decided(decision *fitmentv1.Decision) {
	if s == nil || decision == nil {
		return
	}
	verdict := decision.GetVerdict()
	s.domain.decisions.WithLabelValues(enumLabel(verdict.Descriptor(), verdict.Number())).Inc()
	for _, f := range decision.GetFindings() {
		answer := f.GetAnswer()
		s.domain.findings.WithLabelValues(s.domain.rules.label(f.GetRule()), enumLabel(answer.Descriptor(), answer.Number())).Inc()
	}
}

// Hold notes what became of holds.
func (s *Set) Hold(event HoldEvent, times int) {
	if s == nil || times < 1 {
		return
	}
	for _, known := range holdEvents() {
		if event == known {
			s.domain.holds.WithLabelValues(string(event)).Add(float64(times))
		}
	}
}

// Index registers what is asked of the search index whenever the metrics are read:
// how many listings it holds and how many changes of the store it has not read yet.
// A process has one index.
func (s *Set) Index(listings, behind func() float64) error {
	if s == nil {
		return nil
	}
	for _, c := range []prometheus.Collector{
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: prefix + "index_listings", Help: "Listings on sale in the search index, held or not.",
		}, listings),
		prometheus.NewGaugeFunc(prometheus.GaugeOpts{
			Name: prefix + "index_behind", Help: "Places of the store's sequence that the search index has not read yet. Searches wait for it, so it costs time and never an old answer.",
		}, behind),
	} {
		if err := s.registry.Register(c); err != nil {
			return fmt.Errorf("metrics: %w", err)
		}
	}
	return nil
}
