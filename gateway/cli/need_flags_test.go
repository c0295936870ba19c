package cli_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// A need may be told by the name of a kept one or described, not both: whichever
// counted, the other would be dropped in silence.
func TestANeedIsKeptOrDescribed(t *testing.T) {
	t.Parallel()
	s := start(t, &fitmentv1.GetSavedNeedResponse{}, nil)
	for _, args := range [][]string{
		{"explain", "listings/a.1", "--for", "needs/1", "--make", "Tarvena"},
		{"donors", "--for", "needs/1", "--row", "1"},
		{"quote", "--dry-run", "--jurisdiction", "US-WA", "--for", "needs/1"},
	} {
		code, _, errs := run(t, "", s.to(args...)...)
		if code != cli.ExitUsage || !strings.Contains(errs, "--for needs/1") {
			t.Errorf("%v: exit %d, %s", args, code, errs)
		}
	}
	if code, _, errs := run(t, "", s.to("decide", "listings/a.1", "--for", "needs/1", "--json")...); code != 0 {
		t.Errorf("exit %d, %s", code, errs)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if want := (&fitmentv1.DecideRequest{ListingName: "listings/a.1"}); !proto.Equal(s.asked, want) {
		t.Errorf("asked %v, want the kept need, which this server leaves empty: %v", s.asked, want)
	}
}
