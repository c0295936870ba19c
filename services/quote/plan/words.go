package plan

import (
	"fmt"
	"strings"

	"beltwright.example/services/platform/prose"
)

// Words puts a plan into a sentence. Name gives what an id is called; fallback
// is what the new part is called, empty where there is none.
func Words(r Result, name func(id string) string, fallback string) string {
	if len(r.Batches) == 0 {
		if fallback == "" {
			return "There is nothing to buy."
		}
		return "Buy " + fallback + " at once: nothing else is worth trying."
	}
	var text strings.Builder
	text.WriteString("Buy ")
	for n, batch := range r.Batches {
		if n > 0 {
			text.WriteString("; if " + failing(len(r.Batches[n-1])) + " and buy ")
		}
		text.WriteString(buying(batch, name))
	}
	switch {
	case r.UsesFallback:
		text.WriteString("; otherwise buy " + fallback + ".")
	case r.Unrepaired > 0:
		fmt.Fprintf(&text, ". Nothing new is to be had: with probability %s every one of them fails and the vehicle stays unrepaired.", prose.Percent(r.Unrepaired))
	default:
		text.WriteString(".")
	}
	return text.String()
}

// failing says what is done where a batch of so many parts fails.
func failing(parts int) string {
	if parts == 1 {
		return "it fails its check, return it"
	}
	return "none passes its check, return them"
}

// buying names the parts of a batch, and what is kept of several.
func buying(batch []string, name func(id string) string) string {
	text := prose.ListOf(batch, name)
	if len(batch) > 1 {
		text += " together, keep the one that passes its check and costs least to keep, and return the rest"
	}
	return text
}
