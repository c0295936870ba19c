package choice

import (
	"strings"

	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/plan"
)

// Words puts the policy into a sentence. Name gives what an id is called; fallback
// is what the new part is called, empty where there is none.
func (p Point) Words(name func(id string) string, fallback string) string {
	return plan.Words(plan.Result{Batches: p.Batches, UsesFallback: p.Policy.Fallback, Unrepaired: p.Unrepaired}, name, fallback)
}

// Words says which offers pass and which fail; name gives what an id is called.
func (s State) Words(name func(id string) string) string {
	var parts []string
	if len(s.Passes) > 0 {
		parts = append(parts, prose.ListOf(s.Passes, name)+verb(s.Passes, " passes", " pass"))
	}
	if len(s.Fails) > 0 {
		parts = append(parts, prose.ListOf(s.Fails, name)+verb(s.Fails, " fails", " fail"))
	}
	if s.OthersFail {
		parts = append(parts, "all others fail")
	}
	return strings.Join(parts, ", ")
}

func verb(ids []string, one, several string) string {
	if len(ids) == 1 {
		return one
	}
	return several
}
