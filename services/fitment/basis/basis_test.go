package basis_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/rules"
)

const (
	buckle = fitmentv1.Part_BUCKLE_PRETENSIONER
	day    = "2026-06-30"
)

var today = time.Date(2026, time.June, 30, 0, 0, 0, 0, time.UTC)

func right() *fitmentv1.Position {
	return &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}
}

// world is a small catalogue of an invented maker, with parts that have nothing to
// do with the need.
func world(t *testing.T) *catalogue.Catalogue {
	t.Helper()
	cat := catalogue.New()
	for _, number := range []string{"K-1", "K-2", "X-1", "X-2"} {
		part := &fitmentv1.Part{Name: "parts/korrin." + strings.ReplaceAll(number, "-", ""), Maker: "Korrin", Number: number, Kind: buckle, Positions: []*fitmentv1.Position{right()}}
		if number == "K-1" {
			part.Applications = []*fitmentv1.Part_Application{{Make: "Mirrin", Model: "Lark", YearFrom: 2004, YearTo: 2006}}
		}
		if err := cat.PutPart(part); err != nil {
			t.Fatal(err)
		}
	}
	for _, err := range []error{
		cat.PutSupersession(&fitmentv1.Supersession{Name: "supersessions/k", Maker: "Korrin", OldNumber: "K-1", NewNumber: "K-2"}),
		cat.PutRecall(&fitmentv1.Recall{Name: "recalls/c", Type: fitmentv1.Recall_COVERAGE, Number: "c", AsOf: "2026-06-20", PartMaker: "Korrin"}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return cat
}

func need(place string) *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Mirrin", Model: "Lark", ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT},
		Kind:    buckle, Position: right(), Jurisdiction: place,
	}
}

func offered(place string) *fitmentv1.Listing {
	return &fitmentv1.Listing{
		Name: "listings/north-yard.1", Yard: "north-yard", StockNumber: "1", Kind: buckle, Position: right(), PartMaker: "Korrin", PartNumber: "K-2",
		Donor: &fitmentv1.Vehicle{Make: "Mirrin", Model: "Lark", ModelYear: 2005}, Jurisdiction: place, State: fitmentv1.Listing_AVAILABLE,
		Evidence: []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "K-2", Level: fitmentv1.Evidence_SHOWN}},
	}
}

// TestAgainIsTheSame wherever seller and installer stand: the facts hold only the
// law that counts between the two.
func TestAgainIsTheSame(t *testing.T) {
	t.Parallel()
	cat, policy := world(t), rules.DefaultPolicy()
	policy.RecallMaxAgeDays = 8 // the coverage is too old then, and the default would not do
	own, err := jurisdiction.Builtin().With(&jurisdiction.Pack{
		Jurisdiction: "ZZ-1", Place: "Somewhere", Version: "2026-01-01",
		Provisions: []jurisdiction.Provision{{ID: "ZZ-1.forbidden", Sale: true, Condition: jurisdiction.Forbidden, Text: "None is sold.", Source: "invented"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	places := []string{"", "US", "US-WA", "US-NY", "US-ZZ", "DE", "DE-BY", "EU", "GB", "GB-ENG", "GB-SCT", "NZ", "NZ-AUK", "ZZ-1", "QQ"}
	for _, packs := range []*jurisdiction.Set{nil, own} {
		policy.Packs = packs
		source := basis.From(policy)
		for _, seller := range places {
			for _, installer := range places {
				n, l := need(installer), offered(seller)
				want := rules.Decide(n, l, cat, policy, today)
				facts := source.Facts(n, l, cat)
				if want.Basis.Facts, err = basis.Digest(n, l, facts); err != nil {
					t.Fatal(err)
				}
				// As it is read from the store, under another policy.
				value, err := basis.Encode(&fitmentv1.KeptDecision{Need: n, Listing: l, Decision: want}, facts)
				if err != nil {
					t.Fatal(err)
				}
				kept, stored, err := basis.Decode(value)
				if err != nil || !proto.Equal(kept.GetDecision(), want) || !proto.Equal(stored, facts) {
					t.Fatalf("%s to %s: stored %v, %v", seller, installer, kept, err)
				}
				again, err := basis.Again(kept.GetNeed(), kept.GetListing(), stored, rules.DefaultPolicy(), day)
				if err != nil || !proto.Equal(again, want) {
					t.Errorf("%s to %s: again %v, want %v, %v", seller, installer, again, want, err)
				}
				if len(facts.GetParts()) != 2 {
					t.Errorf("the facts hold %d parts; those of other numbers do not matter", len(facts.GetParts()))
				}
			}
		}
	}
}

// TestTheDigestStandsForWhatCounts and for nothing else.
func TestTheDigestStandsForWhatCounts(t *testing.T) {
	t.Parallel()
	n, l, cat := need("US-WA"), offered("US-WA"), world(t)
	facts := basis.From(rules.DefaultPolicy()).Facts(n, l, cat)
	digest := func(n *fitmentv1.Need, l *fitmentv1.Listing, facts *fitmentv1.Facts) string {
		t.Helper()
		got, err := basis.Digest(n, l, facts)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	first := digest(n, l, facts)
	held := proto.CloneOf(l)
	held.State, held.Etag, held.UpdateTime = fitmentv1.Listing_HELD, `"7"`, timestamppb.New(today)
	held.Hold = &fitmentv1.Hold{Holder: "shop-a", Fence: 3}
	if got := digest(n, held, facts); got != first {
		t.Errorf("who holds it makes another digest: %s, %s", first, got)
	}
	other, priced, aged, fewer := need("US-WA"), proto.CloneOf(l), proto.CloneOf(facts), proto.CloneOf(facts)
	other.Stages = 1
	priced.Price = 1
	aged.RecallMaxAgeDays++
	fewer.Packs = fewer.GetPacks()[1:]
	seen := map[string]bool{first: true}
	for what, got := range map[string]string{
		"need": digest(other, l, facts), "listing": digest(n, priced, facts), "policy": digest(n, l, aged), "law": digest(n, l, fewer),
		"catalogue": digest(n, l, basis.From(rules.DefaultPolicy()).Facts(n, l, catalogue.New())),
	} {
		if seen[got] {
			t.Errorf("another %s has a digest that was there before", what)
		}
		seen[got] = true
	}
}

func TestDamagedFactsDecideNothing(t *testing.T) {
	t.Parallel()
	n, l := need("US-WA"), offered("US-WA")
	facts := basis.From(rules.DefaultPolicy()).Facts(n, l, world(t))
	spoil := func(how func(*fitmentv1.Facts)) *fitmentv1.Facts {
		bad := proto.CloneOf(facts)
		how(bad)
		return bad
	}
	for what, bad := range map[string]*fitmentv1.Facts{
		"a part of no number":   spoil(func(f *fitmentv1.Facts) { f.Parts[0].Number = "" }),
		"a pack of rubbish":     spoil(func(f *fitmentv1.Facts) { f.Packs[0] = []byte("{") }),
		"a pack there twice":    spoil(func(f *fitmentv1.Facts) { f.Packs = append(f.Packs, f.GetPacks()[0]) }),
		"a pack without the US": spoil(func(f *fitmentv1.Facts) { f.Packs = f.GetPacks()[1:] }),
	} {
		if _, err := basis.Again(n, l, bad, rules.DefaultPolicy(), day); err == nil {
			t.Errorf("decided from %s", what)
		}
	}
	if _, err := basis.Again(n, l, facts, rules.DefaultPolicy(), "today"); err == nil {
		t.Error("decided for a day that is none")
	}
	value, err := basis.Encode(&fitmentv1.KeptDecision{Name: "decisions/1"}, facts)
	if err != nil {
		t.Fatal(err)
	}
	for what, bad := range map[string][]byte{"nothing": nil, "cut": value[:len(value)-1], "longer": append(slices.Clone(value), 0), "the decision only": value[:14]} {
		if _, _, err := basis.Decode(bad); err == nil {
			t.Errorf("read %s", what)
		}
	}
}

func TestVersionsThatDiffer(t *testing.T) {
	t.Parallel()
	was := &fitmentv1.Decision{Basis: &fitmentv1.Basis{Rules: "1", Packs: []string{"US 1", "US-WA 1"}, VinData: "v", Codes: "c", Facts: "f", Day: day}}
	for want, change := range map[string]func(*fitmentv1.Decision){
		"": func(*fitmentv1.Decision) {},
		"Of another version: the rules, 1 then and 2 now.":                    func(d *fitmentv1.Decision) { d.Basis.Rules = "2" },
		"Of another version: the law packs, US 1, US-WA 1 then and US 2 now.": func(d *fitmentv1.Decision) { d.Basis.Packs = []string{"US 2"} },
		"Of another version: the VIN data, v then and none now.":              func(d *fitmentv1.Decision) { d.Basis.VinData = "" },
		"Of another version: the code tables, c then and d now.":              func(d *fitmentv1.Decision) { d.Basis.Codes = "d" },
		"Of another version: the day, 2026-06-30 then and none now.|Of another version: the digest of the facts.": func(d *fitmentv1.Decision) {
			d.Basis.Facts, d.Basis.Day = "g", ""
		},
		"The decision kept is not the one that the same versions give: the record or the program is not as it was.": func(d *fitmentv1.Decision) { d.Fit = fitmentv1.Finding_YES },
	} {
		is := proto.CloneOf(was)
		change(is)
		if got := strings.Join(basis.Versions(was, is), "|"); got != want {
			t.Errorf("said %q, want %q", got, want)
		}
	}
}

func TestWhatHasChangedSince(t *testing.T) {
	t.Parallel()
	then := basis.Case{
		Listing: offered("US-WA"), Facts: &fitmentv1.Facts{
			RecallMaxAgeDays: 30, Packs: [][]byte{[]byte("{}")}, Parts: []*fitmentv1.Part{{Name: "parts/a"}, {Name: "parts/b"}},
			Recalls: []*fitmentv1.Recall{{Name: "recalls/1"}}, VehicleData: []*fitmentv1.VehicleData{{Name: "vehicleData/1"}},
		},
		Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS, Findings: []*fitmentv1.Finding{
			{Rule: "a.b", Answer: fitmentv1.Finding_YES}, {Rule: "old.rule", Answer: fitmentv1.Finding_NO}, {Rule: "same.rule", Answer: fitmentv1.Finding_NO},
		}},
	}
	if got := basis.Since(then, then); len(got) != 0 {
		t.Errorf("nothing has changed, but it says %q", got)
	}
	now := basis.Case{
		Listing: proto.CloneOf(then.Listing), Facts: &fitmentv1.Facts{RecallMaxAgeDays: 10, Parts: []*fitmentv1.Part{{Name: "parts/a", Stages: 2}}, VehicleData: then.Facts.GetVehicleData()},
		Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_PROVE_FIRST, Findings: []*fitmentv1.Finding{
			{Rule: "a.b", Answer: fitmentv1.Finding_UNKNOWN, Reason: "Nothing is known."}, {Rule: "same.rule", Answer: fitmentv1.Finding_NO}, {Rule: "new.rule", Answer: fitmentv1.Finding_YES, Reason: "It is so."},
		}},
	}
	now.Listing.Price, now.Listing.State = 7, fitmentv1.Listing_WITHDRAWN
	for i := range 7 {
		now.Facts.Recalls = append(now.Facts.Recalls, &fitmentv1.Recall{Name: fmt.Sprintf("recalls/%d", i+2)})
	}
	want := []string{
		"The yard has changed the listing since.",
		"The listing has been withdrawn since.",
		"Catalogue parts that have changed since: parts/a.",
		"Catalogue parts that counted then and do not now: parts/b.",
		"Recall notices and coverage statements that count now and did not then: recalls/2, recalls/3, recalls/4, recalls/5, recalls/6 and 2 more.",
		"Recall notices and coverage statements that counted then and do not now: recalls/1.",
		"Recall knowledge counted for 30 days then and counts for 10 now.",
		"The law on record for the places has changed since.",
		"The verdict was fits then and is prove first now.",
		"The rule a.b answered yes then and answers unknown now: Nothing is known.",
		"The rule new.rule did not exist then; it answers yes: It is so.",
		"The rule old.rule exists no more; it answered no.",
	}
	if got := basis.Since(then, now); !slices.Equal(got, want) {
		t.Errorf("said\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
