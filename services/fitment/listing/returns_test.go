package listing_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
)

// bought is a listing of hill-yard's that shop-a bought.
func bought(t *testing.T) *fitmentv1.Listing {
	t.Helper()
	held := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, noon.Add(time.Hour), noon))
	return must(t)(listing.Sell(held, "shop-a", 1, noon))
}

const (
	labelCheck = "Read the label."
	otherCheck = "Smell it."
)

// about knows one check, which looks at number and legibility of the label.
func about(text string) []fitmentv1.Evidence_Attribute {
	if text == labelCheck {
		return []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_LABEL_LEGIBLE}
	}
	return nil
}

func report(checks ...string) listing.Report {
	return listing.Report{By: "shop-a", Report: &fitmentv1.ReturnReport{FailedChecks: checks, Note: "as seen"}, About: about}
}

// levels are the levels of a listing's statements, by attribute, in order.
func levels(l *fitmentv1.Listing) string {
	var list []string
	for _, e := range l.GetEvidence() {
		list = append(list, e.GetAttribute().String()+" "+e.GetValue()+" "+e.GetLevel().String())
	}
	return strings.Join(list, "; ")
}

func TestAPartComesBackUnderAListingOfItsOwn(t *testing.T) {
	t.Parallel()
	sold := bought(t)
	before := proto.Clone(sold)
	left, back := listing.Return(sold, report(labelCheck), "B-17-R1", noon.Add(time.Hour))
	if !proto.Equal(before, sold) {
		t.Error("Return changed its argument")
	}
	if left.GetState() != fitmentv1.Listing_SOLD || left.GetBuyer() != "shop-a" || left.GetReturnedAs() != "listings/hill-yard.B-17-R1" {
		t.Errorf("left %v", left)
	}
	if back.GetState() != fitmentv1.Listing_RETURNING || back.GetName() != "listings/hill-yard.B-17-R1" || back.GetReturnOf() != sold.GetName() ||
		back.GetBuyer() != "" || back.GetHold() != nil || !back.GetReturnReport().GetReportTime().AsTime().Equal(noon.Add(time.Hour)) {
		t.Errorf("back %v", back)
	}
	if back.GetPartNumber() != sold.GetPartNumber() || !proto.Equal(back.GetDonor(), sold.GetDonor()) || back.GetPrice() != sold.GetPrice() {
		t.Error("the part is another one")
	}
	for name, try := range map[string]func() error{
		"hold":      func() error { _, err := listing.Hold(back, "shop-b", 0, noon.Add(2*time.Hour), noon); return err },
		"hold back": func() error { _, err := listing.Release(back, "shop-a", 1, noon); return err },
		"sell":      func() error { _, err := listing.Sell(back, "shop-a", 1, noon); return err },
		"on sale":   func() error { return listing.OnSale(back) },
	} {
		if err := try(); err == nil {
			t.Errorf("%s of a part on its way back went through", name)
		} else {
			wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
		}
	}
	again := must(t)(listing.Relist(back, noon.Add(48*time.Hour)))
	if again.GetState() != fitmentv1.Listing_AVAILABLE || again.GetReturnOf() != sold.GetName() || again.GetReturnReport() == nil {
		t.Errorf("relisted %v", again)
	}
	_, err := listing.Relist(again, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_STEP_REFUSED)
	scrapped := must(t)(listing.Withdraw(back, noon))
	if scrapped.GetState() != fitmentv1.Listing_WITHDRAWN {
		t.Errorf("withdrawn %v", scrapped.GetState())
	}
}

func TestWhoMayReturn(t *testing.T) {
	t.Parallel()
	sold := bought(t)
	left, _ := listing.Return(sold, report(labelCheck), "B-17-R1", noon)
	for _, c := range []struct {
		l    *fitmentv1.Listing
		who  string
		want fitmentv1.ErrorInfo_Reason
	}{
		{sold, "shop-a", fitmentv1.ErrorInfo_REASON_UNSPECIFIED},
		{sold, "shop-b", fitmentv1.ErrorInfo_PERMISSION_MISSING},
		{sold, "hill-yard", fitmentv1.ErrorInfo_PERMISSION_MISSING},
		{sold, "", fitmentv1.ErrorInfo_PERMISSION_MISSING},
		{left, "shop-a", fitmentv1.ErrorInfo_ALREADY_EXISTS},
		{listing.New(said(), noon), "shop-a", fitmentv1.ErrorInfo_STEP_REFUSED},
	} {
		wantReason(t, listing.MayReturn(c.l, c.who), c.want)
	}
}

func TestNumbersOfParts(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 40)
	for _, c := range []struct {
		stock, of   string
		first, last string
	}{
		{"B-17", "", "B-17-R1", "B-17-R99"},
		{"B-17-R1", "listings/hill-yard.B-17", "B-17-R2", "B-17-R99"},
		{"B-17-R1", "", "B-17-R1-R1", "B-17-R1-R99"}, // the yard's own number
		{long, "", long[:37] + "-R1", long[:36] + "-R99"},
		{long[:37] + "-R9", "listings/hill-yard." + long, long[:36] + "-R10", long[:36] + "-R99"},
	} {
		got := listing.ReturnNumbers(&fitmentv1.Listing{StockNumber: c.stock, ReturnOf: c.of})
		if got[0] != c.first || got[len(got)-1] != c.last {
			t.Errorf("%s: %s to %s, want %s to %s", c.stock, got[0], got[len(got)-1], c.first, c.last)
		}
		for _, stock := range got {
			if _, _, ok := listing.ParseName(listing.Name("hill-yard", stock)); !ok {
				t.Errorf("%s is no stock number", stock)
			}
		}
	}
	if got := listing.ReturnNumbers(&fitmentv1.Listing{StockNumber: "B-R99", ReturnOf: "listings/hill-yard.B"}); len(got) != 0 {
		t.Errorf("after 99 returns: %v", got)
	}
}

func TestWhatAFailedCheckLeavesProven(t *testing.T) {
	t.Parallel()
	const kept = "PART_NUMBER OR-1234 SHOWN; DONOR_VIN 1M8GDM9AXKP042788 SHOWN"
	seen := func(attribute fitmentv1.Evidence_Attribute, value string) []*fitmentv1.Evidence {
		var fields check.Fields
		list := listing.Seen([]*fitmentv1.Evidence{{Attribute: attribute, Value: value}}, "shop-a", "hill-yard", noon, &fields)
		if err := fields.Err(); err != nil {
			t.Fatal(err)
		}
		return list
	}
	for _, c := range []struct {
		name string
		r    listing.Report
		seen []*fitmentv1.Evidence
		want string
	}{
		{"nothing seen", report(labelCheck), nil, "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 SHOWN"},
		{"another number seen", report(labelCheck), seen(fitmentv1.Evidence_PART_NUMBER, "OR-9"), kept + "; PART_NUMBER OR-9 CONFIRMED"},
		{"the same number seen", report(labelCheck), seen(fitmentv1.Evidence_PART_NUMBER, "or 1234"), "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 SHOWN; PART_NUMBER or 1234 CLAIMED"},
		{"label gone", report(labelCheck), seen(fitmentv1.Evidence_LABEL_LEGIBLE, "no"), kept + "; LABEL_LEGIBLE no CONFIRMED"},
		{"label there", report(labelCheck), seen(fitmentv1.Evidence_LABEL_LEGIBLE, "yes"), "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 SHOWN; LABEL_LEGIBLE yes CLAIMED"},
		{"something else seen", report(labelCheck), seen(fitmentv1.Evidence_DAMAGE, "yes"), "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 SHOWN; DAMAGE yes CONFIRMED"},
		{"an unknown check", report(otherCheck), seen(fitmentv1.Evidence_DAMAGE, "yes"), "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 CLAIMED; DAMAGE yes CLAIMED"},
	} {
		c.r.Seen = c.seen
		_, back := listing.Return(bought(t), c.r, "B-17-R1", noon)
		if got := levels(back); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

func TestWhatBuyersSeeCountsAsTheirs(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	stated := []*fitmentv1.Evidence{
		{Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", Level: fitmentv1.Evidence_CLAIMED, By: "somebody", How: "lamp"},
		{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Date: "2026-02-01"},
	}
	got := listing.Seen(stated, "shop-a", "hill-yard", noon, &fields)
	if err := fields.Err(); err != nil {
		t.Fatal(err)
	}
	if e := got[0]; e.GetBy() != "shop-a" || e.GetLevel() != fitmentv1.Evidence_CONFIRMED || e.GetHow() != "arrival check: lamp" || e.GetDate() != "2026-03-02" {
		t.Errorf("got %v", e)
	}
	if e := got[1]; e.GetHow() != "arrival check" || e.GetDate() != "2026-02-01" {
		t.Errorf("got %v", e)
	}
	if own := listing.Seen(stated, "Hill-Yard", "hill-yard", noon, &fields); own[0].GetLevel() != fitmentv1.Evidence_SHOWN || !fields.OK() {
		t.Errorf("a yard confirms its own part: %v, %v", own[0], fields.Err())
	}
	for name, bad := range map[string]*fitmentv1.Evidence{
		"no attribute": {Value: "yes"},
		"no value":     {Attribute: fitmentv1.Evidence_DAMAGE},
		"tomorrow":     {Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", Date: "2026-03-05"},
		"how too long": {Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", How: strings.Repeat("x", 81)},
	} {
		var fields check.Fields
		listing.Seen([]*fitmentv1.Evidence{bad}, "shop-a", "hill-yard", noon, &fields)
		if fields.OK() {
			t.Errorf("%s went through", name)
		}
	}
	for name, bad := range map[string]*fitmentv1.ReturnReport{
		"nothing": nil, "no check": {Note: "x"}, "an empty check": {FailedChecks: []string{""}}, "twice": {FailedChecks: []string{"a", "a"}},
		"too many": {FailedChecks: strings.Split(strings.Repeat("x ", 21), " ")}, "long note": {FailedChecks: []string{"a"}, Note: strings.Repeat("x", 1001)},
	} {
		var fields check.Fields
		listing.ValidateReport(bad, "report.", &fields)
		if fields.OK() {
			t.Errorf("%s went through", name)
		}
	}
}

// A part that came back is proven again by what was seen since, not by saying once
// more what was said before.
func TestADoubtIsNotTalkedAway(t *testing.T) {
	t.Parallel()
	_, back := listing.Return(bought(t), report(labelCheck), "B-17-R1", noon)
	on := must(t)(listing.Relist(back, noon.Add(24*time.Hour)))
	const doubted, proven = "PART_NUMBER OR-1234 CLAIMED; DONOR_VIN 1M8GDM9AXKP042788 SHOWN", "PART_NUMBER OR-1234 SHOWN; DONOR_VIN 1M8GDM9AXKP042788 SHOWN"
	for _, c := range []struct {
		name  string
		alter func(*fitmentv1.Evidence)
		want  string
	}{
		{"the same words", func(*fitmentv1.Evidence) {}, doubted},
		{"other words", func(e *fitmentv1.Evidence) { e.How = "another photo" }, doubted},
		{"seen before the report", func(e *fitmentv1.Evidence) { e.Date = "2026-03-01" }, doubted},
		{"confirmed before the report", func(e *fitmentv1.Evidence) {
			e.Level, e.By, e.Date = fitmentv1.Evidence_CONFIRMED, "a lab", "2026-03-01"
		}, doubted},
		{"seen on the day", func(e *fitmentv1.Evidence) { e.Date = "2026-03-02" }, proven},
		{"seen since", func(e *fitmentv1.Evidence) { e.Date = "2026-03-09" }, proven},
	} {
		says := said()
		c.alter(says.GetEvidence()[0])
		next, _, err := listing.Revise(on, says, noon.Add(240*time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		if got := levels(next); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		again, changed, err := listing.Revise(next, says, noon.Add(241*time.Hour))
		if err != nil || changed || !proto.Equal(next, again) {
			t.Errorf("%s: said twice it is %v, %v", c.name, levels(again), err)
		}
	}
	dated := said()
	dated.Evidence[0].Date = "2026-03-02"
	sold := must(t)(listing.Sell(must(t)(listing.Hold(listing.New(dated, noon), "shop-a", 0, noon.Add(time.Hour), noon)), "shop-a", 1, noon))
	_, back = listing.Return(sold, report(labelCheck), "B-17-R1", noon)
	if next, _, err := listing.Revise(back, dated, noon); err != nil || levels(next) != doubted {
		t.Errorf("what was seen on the day of the report, before it: %s, %v", levels(next), err)
	}
}

// Who bought a part is for the yard and the buyer to know, also where the buyer's
// statements stay with the part.
func TestOthersDoNotLearnWhoSentAPartBack(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	r := report(labelCheck)
	photos := []string{listing.AttachmentName("shop-a", strings.Repeat("a", 64)), listing.AttachmentName("hill-yard", strings.Repeat("b", 64))}
	r.Seen = listing.Seen([]*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_LABEL_LEGIBLE, Value: "no", Attachments: photos}}, "shop-a", "hill-yard", noon, &fields)
	_, back := listing.Return(bought(t), r, "B-17-R1", noon)
	on := must(t)(listing.Hold(must(t)(listing.Relist(back, noon)), "shop-c", 0, noon.Add(time.Hour), noon))
	decision := &fitmentv1.Decision{Findings: []*fitmentv1.Finding{{Evidence: on.GetEvidence()}}}
	for _, c := range []struct {
		viewer identity.Principal
		want   string
	}{
		{identity.Principal{Tenant: "shop-b"}, "a buyer"},
		{identity.Principal{Tenant: "shop-c"}, "a buyer"}, // who holds it and sees its VIN
		{identity.Principal{Tenant: "shop-a"}, "shop-a"},
		{identity.Principal{Tenant: "hill-yard"}, "shop-a"},
		{identity.Principal{Tenant: "x", Roles: []identity.Role{identity.Admin}}, "a buyer"},
		{identity.Principal{Tenant: "x", Roles: []identity.Role{identity.Operator}}, "shop-a"},
	} {
		seen := listing.View(on, c.viewer, noon).GetEvidence()
		if got := seen[len(seen)-1].GetBy(); got != c.want || seen[0].GetBy() != "hill-yard" {
			t.Errorf("%v sees that %q said so, and %q the rest", c.viewer, got, seen[0].GetBy())
		}
		shown := photos // their names begin with whose they are
		if c.want == "a buyer" {
			shown = photos[1:]
		}
		if got := seen[len(seen)-1].GetAttachments(); !slices.Equal(got, shown) {
			t.Errorf("%v sees the photos %q, want %q", c.viewer, got, shown)
		}
		told := listing.MaskDecision(decision, on, c.viewer, noon).GetFindings()[0].GetEvidence()
		if got := told[len(told)-1].GetBy(); got != c.want {
			t.Errorf("a decision tells %v that %q said so", c.viewer, got)
		}
	}
	if last := on.GetEvidence()[2]; last.GetBy() != "shop-a" || !slices.Equal(last.GetAttachments(), photos) {
		t.Errorf("the record itself says %v", last)
	}
}

// What buyers saw is not the yard's to take back: neither by updating the listing
// nor by a file.
func TestTheYardCannotTakeBackWhatABuyerSaw(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		r := report(rapid.SampledFrom([]string{labelCheck, otherCheck}).Draw(rt, "check"))
		var fields check.Fields
		r.Seen = listing.Seen([]*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_DAMAGE, Value: rapid.SampledFrom([]string{"yes", "no"}).Draw(rt, "damage")},
		}, "shop-a", "hill-yard", noon, &fields)
		_, back := listing.Return(bought(t), r, "B-17-R1", noon)
		now := back
		if rapid.Bool().Draw(rt, "relisted") {
			now = must(t)(listing.Relist(back, noon))
		}
		says := said()
		says.StockNumber = "B-17-R1"
		says.Note = rapid.StringMatching(`[a-z]{0,5}`).Draw(rt, "note")
		for range rapid.IntRange(0, 3).Draw(rt, "fewer") {
			says.Evidence = says.GetEvidence()[:max(len(says.GetEvidence())-1, 0)]
		}
		next, _, err := listing.Revise(now, says, noon.Add(time.Hour))
		if err != nil {
			rt.Fatal(err)
		}
		same := func(e *fitmentv1.Evidence) bool {
			return e.GetBy() == "shop-a" && e.GetAttribute() == fitmentv1.Evidence_DAMAGE
		}
		if n := len(slices.DeleteFunc(slices.Clone(next.GetEvidence()), func(e *fitmentv1.Evidence) bool { return !same(e) })); n != 1 {
			rt.Errorf("%d statements of the buyer's are left: %v", n, next.GetEvidence())
		}
		if next.GetState() != now.GetState() || next.GetReturnOf() != now.GetReturnOf() || !proto.Equal(next.GetReturnReport(), now.GetReturnReport()) {
			rt.Errorf("%v became %v", now, next)
		}
		again, changed, err := listing.Revise(next, says, noon.Add(2*time.Hour))
		if err != nil || changed || !proto.Equal(again, next) {
			rt.Errorf("the same words changed it again: %v, %v", changed, err)
		}
	})
}
