package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/store"
)

const donorVIN = "1G4AH59H45G118341"

func (f *fixture) keep(t *testing.T, who, name string) *fitmentv1.KeptDecision {
	t.Helper()
	got, err := f.decisions.KeepDecision(as(t, who), &fitmentv1.KeepDecisionRequest{Need: need(), ListingName: name, RequestId: newID()})
	if err != nil {
		t.Fatal(err)
	}
	return got.GetKeptDecision()
}

func (f *fixture) recompute(t *testing.T, who, name string) *fitmentv1.RecomputeDecisionResponse {
	t.Helper()
	got, err := f.decisions.RecomputeDecision(as(t, who), &fitmentv1.RecomputeDecisionRequest{Name: name})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestADecisionIsKept(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	req := &fitmentv1.KeepDecisionRequest{Need: need(), ListingName: fits1, RequestId: newID()}
	first, err := f.decisions.KeepDecision(as(t, shopA), req)
	if err != nil {
		t.Fatal(err)
	}
	kept := first.GetKeptDecision()
	decided, err := f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
	if err != nil || !proto.Equal(kept.GetDecision(), decided.GetDecision()) {
		t.Errorf("kept %v, decided %v, %v", kept.GetDecision(), decided.GetDecision(), err)
	}
	if !proto.Equal(kept.GetListing(), f.get(t, shopA, fits1)) || !proto.Equal(kept.GetNeed(), need()) ||
		!kept.GetCreateTime().AsTime().Equal(f.clock.Now()) || first.GetRevision() == "" || kept.GetDecision().GetBasis().GetRules() == "" {
		t.Errorf("kept %v", kept)
	}
	again, err := f.decisions.KeepDecision(as(t, shopA), req)
	if err != nil || !proto.Equal(again, first) {
		t.Errorf("asked again: %v, %v", again, err)
	}
	got, err := f.decisions.GetKeptDecision(as(t, shopA), &fitmentv1.GetKeptDecisionRequest{Name: kept.GetName()})
	if err != nil || !proto.Equal(got.GetKeptDecision(), kept) {
		t.Errorf("read %v, %v", got, err)
	}
	other := f.keep(t, shopA, fits(2))
	var names []string
	list := &fitmentv1.ListKeptDecisionsRequest{PageSize: 1}
	for {
		page, err := f.decisions.ListKeptDecisions(as(t, shopA), list)
		if err != nil || len(page.GetKeptDecisions()) != 1 || page.GetRevision() == "" {
			t.Fatal(page, err)
		}
		names = append(names, page.GetKeptDecisions()[0].GetName())
		if list.PageToken = page.GetNextPageToken(); list.GetPageToken() == "" {
			break
		}
	}
	want := []string{kept.GetName(), other.GetName()}
	if slices.Sort(want); !slices.Equal(names, want) {
		t.Errorf("listed %v, want %v", names, want)
	}
	for _, who := range []string{shopB, northYard, admin} {
		_, err := f.decisions.GetKeptDecision(as(t, who), &fitmentv1.GetKeptDecisionRequest{Name: kept.GetName()})
		wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
		_, err = f.decisions.RecomputeDecision(as(t, who), &fitmentv1.RecomputeDecisionRequest{Name: kept.GetName()})
		wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
		page, err := f.decisions.ListKeptDecisions(as(t, who), &fitmentv1.ListKeptDecisionsRequest{})
		if err != nil || len(page.GetKeptDecisions()) != 0 {
			t.Errorf("%s lists %v, %v", who, page, err)
		}
	}
}

// TestAKeptDecisionIsMadeAgainToTheLetter, whatever has happened to the facts
// since: the listing was changed, a recall notice came, a part was replaced.
func TestAKeptDecisionIsMadeAgainToTheLetter(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	var kept []*fitmentv1.KeptDecision
	for _, stock := range []string{"fits-1", "fits-3", "claimed", "bare", "wrong-number", "deployed", "other-car", "left"} {
		kept = append(kept, f.keep(t, northYard, "listings/north-yard."+stock)) // the yard sees everything whole
	}
	for _, one := range kept {
		got := f.recompute(t, northYard, one.GetName())
		if !got.GetSame() || !proto.Equal(got.GetKept(), one.GetDecision()) || !proto.Equal(got.GetAgain(), one.GetDecision()) ||
			!proto.Equal(got.GetNow(), one.GetDecision()) || len(got.GetDifferences()) != 0 {
			t.Errorf("%s at once: %v", one.GetListing().GetName(), got.GetDifferences())
		}
	}

	f.clock.Advance(40 * 24 * time.Hour) // the coverage of recalls is too old by then
	l := f.get(t, northYard, fits1)
	changed := like(l, "fits-1")
	changed.Name, changed.Price = l.GetName(), 1
	if _, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: changed, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	if _, err := f.importRecalls(t, admin, recallsHeader+"notice,n1,2026-06-29,,Orbis,K-1,,invented,invented\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := f.importSupersessions(t, admin, "maker,old_number,new_number,source\nOrbis,K-2,K-3,invented\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := f.importParts(t, admin, strings.ReplaceAll(csv(t, "parts.csv"), "K-1,buckle pretensioner,1 RIGHT,Type 2,B", "K-1,buckle pretensioner,1 RIGHT,Type 2,C")); err != nil {
		t.Fatal(err)
	}
	for _, one := range kept {
		got := f.recompute(t, northYard, one.GetName())
		if !got.GetSame() || !proto.Equal(got.GetAgain(), one.GetDecision()) {
			t.Errorf("%s much later: %v", one.GetListing().GetName(), got.GetDifferences())
		}
		now, err := f.decisions.Decide(as(t, northYard), &fitmentv1.DecideRequest{Need: need(), ListingName: one.GetListing().GetName()})
		if err != nil || !proto.Equal(got.GetNow(), now.GetDecision()) {
			t.Errorf("%s now: %v, want %v, %v", one.GetListing().GetName(), got.GetNow(), now.GetDecision(), err)
		}
	}
	told := strings.Join(f.recompute(t, northYard, kept[0].GetName()).GetDifferences(), "\n")
	for _, want := range []string{
		"The yard has changed the listing since.", "Catalogue parts that have changed since: parts/orbis.K1.",
		"Recall notices and coverage statements that count now and did not then: recalls/", "Supersessions that count now and did not then: supersessions/",
		"The verdict was fits then and is barred now.", "The rule recall.open answered yes then and answers no now:",
	} {
		if !strings.Contains(told, want) {
			t.Errorf("it does not say %q:\n%s", want, told)
		}
	}
}

// TestADifferenceIsTold: a record that says something else than its facts give is
// found out.
func TestADifferenceIsTold(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	kept := f.keep(t, shopA, fits1)
	id := strings.TrimPrefix(kept.GetName(), "decisions/")
	key := store.Key{Tenant: "shop-a", Kind: "decision", ID: id}
	record, err := f.store.Get(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	// Other rules made it: the version stands in the record as text.
	// The record holds its length too, so that only the day is another one.
	version := kept.GetDecision().GetBasis().GetRules()
	other := "2025-01-01" + strings.TrimLeft(version, "0123456789-")
	forged := strings.Replace(string(record.Value), version, other, 1)
	if len(forged) != len(record.Value) || forged == string(record.Value) {
		t.Fatalf("the version %q does not stand in the record", version)
	}
	if _, err := f.store.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: record.Version, Value: []byte(forged)}}}); err != nil {
		t.Fatal(err)
	}
	got := f.recompute(t, shopA, kept.GetName())
	if got.GetSame() || len(got.GetDifferences()) != 1 || !strings.HasPrefix(got.GetDifferences()[0], "Of another version: the rules, "+other+" then and ") {
		t.Errorf("same: %v, %q", got.GetSame(), got.GetDifferences())
	}
}

// TestAKeptDecisionShowsTheVINOnlyToWhoMaySeeIt, at the time when it is looked at.
func TestAKeptDecisionShowsTheVINOnlyToWhoMaySeeIt(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	serial := donorVIN[len(donorVIN)-6:]
	look := func(who, name string) (whole bool) {
		t.Helper()
		got, err := f.decisions.GetKeptDecision(as(t, who), &fitmentv1.GetKeptDecisionRequest{Name: name})
		if err != nil {
			t.Fatal(err)
		}
		list, err := f.decisions.ListKeptDecisions(as(t, who), &fitmentv1.ListKeptDecisionsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		tells := func(m proto.Message) bool {
			raw, err := protojson.Marshal(m)
			return err != nil || strings.Contains(string(raw), serial)
		}
		whole = tells(got)
		if tells(list) != whole || tells(f.recompute(t, who, name)) != whole {
			t.Errorf("Get tells the serial: %v, List or Recompute otherwise", whole)
		}
		return whole
	}
	hold := f.hold(t, shopA, fits1, 60)
	kept := f.keep(t, shopA, fits1)
	if !look(shopA, kept.GetName()) {
		t.Error("the holder does not see the VIN")
	}
	if kept.GetListing().GetState() != fitmentv1.Listing_HELD || kept.GetListing().GetHold().GetFence() != hold.GetFence() {
		t.Errorf("kept as %v", kept.GetListing())
	}
	f.clock.Advance(2 * time.Hour)
	if look(shopA, kept.GetName()) {
		t.Error("it is seen after the hold")
	}
	theirs := f.hold(t, shopB, fits1, 60)
	if look(shopA, kept.GetName()) {
		t.Error("it is seen while another holds it")
	}
	if _, err := f.listings.ReleaseListing(as(t, shopB), &fitmentv1.ReleaseListingRequest{Name: fits1, Fence: theirs.GetFence(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	hold = f.hold(t, shopA, fits1, 60)
	if err := f.sell(t, shopA, fits1, hold.GetFence()); err != nil {
		t.Fatal(err)
	}
	f.clock.Advance(2 * time.Hour)
	if !look(shopA, kept.GetName()) {
		t.Error("the buyer does not see it")
	}
	got, err := f.decisions.GetKeptDecision(as(t, shopA), &fitmentv1.GetKeptDecisionRequest{Name: kept.GetName()})
	if err != nil || got.GetKeptDecision().GetListing().GetState() != fitmentv1.Listing_HELD || got.GetKeptDecision().GetListing().GetBuyer() != "" {
		t.Errorf("the listing is no longer shown as it was: %v, %v", got.GetKeptDecision().GetListing(), err)
	}
	if told := f.recompute(t, shopA, kept.GetName()).GetDifferences(); !slices.Contains(told, "The listing has been sold since.") {
		t.Errorf("told %q", told)
	}
}

func TestWhatKeepingRefuses(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	good := &fitmentv1.KeepDecisionRequest{Need: need(), ListingName: fits1, RequestId: newID()}
	keep := func(change func(*fitmentv1.KeepDecisionRequest)) error {
		req := proto.CloneOf(good)
		change(req)
		_, err := f.decisions.KeepDecision(as(t, shopA), req)
		return err
	}
	err := keep(func(r *fitmentv1.KeepDecisionRequest) {
		r.Need, r.ListingName, r.RequestId = &fitmentv1.Need{}, "x", ""
	})
	want := []string{"listing_name", "need.kind", "need.position", "need.vehicle.make", "need.vehicle.model", "request_id"}
	if got := fieldsOf(err); !slices.Equal(got, want) {
		t.Errorf("refused %v, want %v", got, want)
	}
	wantReason(t, keep(func(r *fitmentv1.KeepDecisionRequest) { r.ListingName = "listings/north-yard.none" }), fitmentv1.ErrorInfo_NOT_FOUND)
	wantReason(t, keep(func(r *fitmentv1.KeepDecisionRequest) { r.MinRevision = "x" }), fitmentv1.ErrorInfo_REVISION_INVALID)
	if err := keep(func(*fitmentv1.KeepDecisionRequest) {}); err != nil {
		t.Error(err)
	}
	wantReason(t, keep(func(r *fitmentv1.KeepDecisionRequest) { r.ListingName = fits(2) }), fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	for name, call := range map[string]func(ctx context.Context, name string) error{
		"get": func(ctx context.Context, name string) error {
			_, err := f.decisions.GetKeptDecision(ctx, &fitmentv1.GetKeptDecisionRequest{Name: name})
			return err
		},
		"recompute": func(ctx context.Context, name string) error {
			_, err := f.decisions.RecomputeDecision(ctx, &fitmentv1.RecomputeDecisionRequest{Name: name})
			return err
		},
	} {
		if got := fieldsOf(call(as(t, shopA), "decisions/x")); !slices.Equal(got, []string{"name"}) {
			t.Errorf("%s of no name: %v", name, got)
		}
		wantReason(t, call(as(t, shopA), "decisions/"+newID()), fitmentv1.ErrorInfo_NOT_FOUND)
		wantReason(t, call(t.Context(), "decisions/"+newID()), fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	}
}

// TestWhatIsTooLargeIsNotKept: a listing with as much text as the store takes
// leaves no room for the facts.
func TestWhatIsTooLargeIsNotKept(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	l := f.get(t, northYard, fits1)
	l.Etag, l.Note = "", strings.Repeat("x", store.MaxValue-20_000)
	value, err := proto.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	key := store.Key{Tenant: "north-yard", Kind: "listing", ID: "fits-1"}
	if _, err := f.store.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: value}}}); err != nil {
		t.Fatal(err)
	}
	req := &fitmentv1.KeepDecisionRequest{Need: need(), ListingName: fits1, RequestId: newID()}
	_, err = f.decisions.KeepDecision(as(t, shopA), req)
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	page, err := f.decisions.ListKeptDecisions(as(t, shopA), &fitmentv1.ListKeptDecisionsRequest{})
	if err != nil || len(page.GetKeptDecisions()) != 0 {
		t.Errorf("listed %v, %v", page, err)
	}
}

func TestTheLawOfPlacesIsListed(t *testing.T) {
	t.Parallel()
	f := start(t)
	list := func(place string) ([]string, error) {
		got, err := f.decisions.ListJurisdictionPacks(as(t, shopA), &fitmentv1.ListJurisdictionPacksRequest{Jurisdiction: place})
		var places []string
		for _, p := range got.GetPacks() {
			places = append(places, p.GetJurisdiction())
			if p.GetVersion() == "" || p.GetPlace() == "" {
				t.Errorf("%v lacks version or name", p)
			}
		}
		return places, err
	}
	for place, want := range map[string][]string{"US-WA": {"US", "US-WA"}, "US": {"US"}, "DE": {"EU"}, "NZ": {"NZ"}} {
		if got, err := list(place); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v", place, got, err)
		}
	}
	if all, err := list(""); err != nil || len(all) < 10 || !slices.IsSorted(all) {
		t.Errorf("all: %v, %v", all, err)
	}
	_, err := list("US-ZZ")
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	if _, err = list("Washington"); !slices.Equal(fieldsOf(err), []string{"jurisdiction"}) {
		t.Error(err)
	}
	_, err = f.decisions.ListJurisdictionPacks(t.Context(), &fitmentv1.ListJurisdictionPacksRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestTheDialectsAreListed(t *testing.T) {
	t.Parallel()
	f := start(t)
	got, err := f.decisions.ListDialects(as(t, shopA), &fitmentv1.ListDialectsRequest{})
	if err != nil || got.GetVersion() == "" || len(got.GetDialects()) < 5 {
		t.Fatalf("%v, %v", got, err)
	}
	var ids []string
	for _, d := range got.GetDialects() {
		ids = append(ids, d.GetId())
		if d.GetText() == "" || d.GetSource() == "" {
			t.Errorf("%v lacks text or source", d)
		}
	}
	if !slices.IsSorted(ids) || !slices.Contains(ids, "standard") {
		t.Errorf("dialects %v", ids)
	}
	_, err = f.decisions.ListDialects(t.Context(), &fitmentv1.ListDialectsRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}
