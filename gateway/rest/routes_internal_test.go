package rest

import (
	"strings"
	"testing"
)

// TestTemplatesCanBeRead: what metrics and traces call a route is a path with {id}
// for what differs, one for each route of the document, and no pattern.
func TestTemplatesCanBeRead(t *testing.T) {
	t.Parallel()
	document, err := newDocument()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, route := range document.routes {
		name := route.methods[0] + " " + route.template
		rest := strings.ReplaceAll(route.template, "{id}", "x")
		if strings.ContainsAny(rest, "{}[]()*+^$\\\x00") || seen[name] {
			t.Errorf("%s", name)
		}
		seen[name] = true
		if got := document.routes.template(rest, route.methods[0]); got == "" {
			t.Errorf("%s is not found by %s", name, rest)
		}
	}
	if len(seen) < 80 || !seen["POST /v1/listings/{id}:hold"] || !seen["GET /v1/quotes/{id}"] {
		t.Errorf("%d routes: %v", len(seen), seen)
	}
}
