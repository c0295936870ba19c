package server_test

import (
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/quota"
	"beltwright.example/services/store/storetest"
)

// A question lies with the yard and counts for the shop that asks: a shop that has
// asked as often as it may cannot ask that yard or another one, also where it takes
// its questions back; others can, and the yard's own are its own.
func TestQuestionsCountForWhoAsks(t *testing.T) {
	t.Parallel()
	kinds := server.Counted()
	names := map[string]bool{}
	for i := range kinds {
		if kinds[i].Limit < 1000 || names[kinds[i].Name] {
			t.Errorf("%+v: no quota that a desk does not notice, or a name there twice", kinds[i])
		}
		names[kinds[i].Name] = true
		if kinds[i].Name == "evidence-requests" {
			kinds[i].Limit = 2
		}
	}
	c := storetest.NewClock(time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC))
	inner, err := embedded.Open(t.TempDir(), embedded.Options{Now: c.Now, NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	counted, err := quota.Open(t.Context(), inner, kinds, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := counted.Close(); err != nil {
			t.Error(err)
		}
	})
	f := serveOn(t, counted, c)
	f.stock(t)
	for range 2 {
		asked := f.mustAsk(t, shopA)
		_, err := f.evidence.WithdrawEvidenceRequest(as(t, shopA), &fitmentv1.WithdrawEvidenceRequestRequest{Name: asked.GetName(), RequestId: newID()})
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err = f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_QUOTA_REACHED)
	if _, err := f.ask(t, shopB, &fitmentv1.RequestEvidenceRequest{}); err != nil {
		t.Errorf("another shop: %v", err)
	}
	for owner, want := range map[string]int{"shop-a": 2, "shop-b": 1, "north-yard": 0} {
		if got := counted.Count(owner, "evidence-request"); got != want {
			t.Errorf("%s is counted %d questions, want %d", owner, got, want)
		}
	}
	again, err := quota.Open(t.Context(), inner, kinds, nil)
	if err != nil || again.Count("shop-a", "evidence-request") != 2 || again.Count("north-yard", "listing") == 0 {
		t.Errorf("counted anew: %d, %v", again.Count("shop-a", "evidence-request"), err)
	}
}
