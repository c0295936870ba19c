package check_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/deploy/check"
)

// answer is one of govulncheck, shortened: a finding in a module at three reaches, one
// in the standard library, and one that nothing mends.
const answer = `{"config":{"scan_level":"symbol"}}
{"SBOM":{"go_version":"go1.26.8","roots":["example.test/a"]}}
{"osv":{"id":"GO-2021-0113"}}
{"finding":{"osv":"GO-2021-0113","fixed_version":"v0.3.7","trace":[{"module":"golang.org/x/text","version":"v0.3.5"}]}}
{"finding":{"osv":"GO-2021-0113","fixed_version":"v0.3.7","trace":[{"module":"golang.org/x/text","version":"v0.3.5","package":"golang.org/x/text/language","function":"Parse"},{"module":"example.test/a","package":"a","function":"main"}]}}
{"finding":{"osv":"GO-2021-0113","fixed_version":"v0.3.7","trace":[{"module":"golang.org/x/text","version":"v0.3.5","package":"golang.org/x/text/language"}]}}
{"finding":{"osv":"GO-2026-0001","fixed_version":"v1.26.9","trace":[{"module":"stdlib","version":"v1.26.8","package":"net/http"}]}}
{"finding":{"osv":"GO-2026-0002","trace":[{"module":"example.test/old","version":"v1.0.0"}]}}
`

func TestFindings(t *testing.T) {
	t.Parallel()
	got, err := check.Findings(strings.NewReader(answer))
	want := []check.Finding{
		{ID: "GO-2026-0002", Module: "example.test/old", Version: "v1.0.0", Reach: "required"},
		{ID: "GO-2021-0113", Module: "golang.org/x/text", Version: "v0.3.5", Fixed: "v0.3.7", Reach: "called"},
		{ID: "GO-2026-0001", Module: "stdlib", Version: "v1.26.8", Fixed: "v1.26.9", Reach: "imported"},
	}
	if diff := cmp.Diff(want, got); diff != "" || err != nil {
		t.Errorf("%v\n%s", err, diff)
	}
	if blocking := check.Blocking(got); !cmp.Equal(blocking, want[:2]) {
		t.Errorf("blocking: %v", blocking)
	}
	if said := got[1].String(); said != "GO-2021-0113 in golang.org/x/text v0.3.5, called; mended in v0.3.7" {
		t.Errorf("said %s", said)
	}
	// An answer that was cut short, or is none, must not pass for a clean one.
	for _, bad := range []string{"", `{"config":{"scan_level":"symbol"}}`, answer[:len(answer)/2], "no vulnerabilities found"} {
		if got, err := check.Findings(strings.NewReader(bad)); err == nil {
			t.Errorf("%.40q: %v", bad, got)
		}
	}
}
