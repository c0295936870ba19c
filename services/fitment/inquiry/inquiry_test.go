package inquiry_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
)

var noon = time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC)

const id = "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"

func part() *fitmentv1.Listing {
	return &fitmentv1.Listing{Name: "listings/north-yard.7", Yard: "north-yard", StockNumber: "7", State: fitmentv1.Listing_AVAILABLE}
}

func TestNames(t *testing.T) {
	t.Parallel()
	name := inquiry.Name("north-yard", id)
	if yard, got, ok := inquiry.ParseName(name); !ok || yard != "north-yard" || got != id {
		t.Errorf("%s is of %q, id %q, %t", name, yard, got, ok)
	}
	for _, bad := range []string{
		"", "evidenceRequests/", "evidenceRequests/north-yard", "evidenceRequests/north-yard.", "evidenceRequests/." + id, "evidenceRequests/North." + id,
		"evidenceRequests/north-yard.1", "evidenceRequests/north-yard." + strings.ToUpper(id), "listings/north-yard." + id, name + "0", name + "\n",
	} {
		if _, _, ok := inquiry.ParseName(bad); ok {
			t.Errorf("%q is a name", bad)
		}
	}
}

// FuzzParseName: whatever is taken for a name is written the same again.
func FuzzParseName(f *testing.F) {
	for _, seed := range []string{inquiry.Name("north-yard", id), "evidenceRequests/a." + id, "evidenceRequests/north-yard.1", "listings/a.b", "", "evidenceRequests/a.b." + id} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		yard, got, ok := inquiry.ParseName(name)
		if !ok {
			return
		}
		if inquiry.Name(yard, got) != name || strings.Contains(name, ":") || !identity.ValidTenant(yard) {
			t.Errorf("%q was read as %q and %q", name, yard, got)
		}
	})
}

// TestEveryAttributeOfAYardsCanBeAskedFor goes through all there are: each makes a
// question that says what is wanted, and none asks anybody to meter a live squib.
func TestEveryAttributeOfAYardsCanBeAskedFor(t *testing.T) {
	t.Parallel()
	texts := map[string]bool{}
	for number := range fitmentv1.Evidence_Attribute_name {
		attribute := fitmentv1.Evidence_Attribute(number)
		var fields check.Fields
		inquiry.ValidateAsked([]fitmentv1.Evidence_Attribute{attribute}, "", &fields)
		if fields.OK() != rules.FromYard(attribute) {
			t.Errorf("%s: %v", attribute, fields.Err())
		}
		if !fields.OK() {
			continue
		}
		r, err := inquiry.New(&fitmentv1.RequestEvidenceRequest{Attributes: []fitmentv1.Evidence_Attribute{attribute}}, part(), "shop", id, nil, noon)
		if err != nil {
			t.Errorf("%s: %v", attribute, err)
			continue
		}
		text := r.GetText()
		if !strings.Contains(text, "stock number 7") || !strings.Contains(text, "1. Please ") || strings.Contains(text, "Ask the yard") || !strings.Contains(text, "meter on a live squib") || texts[text] {
			t.Errorf("%s asks %q", attribute, text)
		}
		texts[text] = true
	}
	if len(texts) < 25 {
		t.Errorf("only %d attributes were asked for", len(texts))
	}
}

func TestADecisionsOwnWordsAreTaken(t *testing.T) {
	t.Parallel()
	flood, fire, recall := fitmentv1.Evidence_FLOOD, fitmentv1.Evidence_FIRE, fitmentv1.Evidence_RECALL_OPEN
	d := &fitmentv1.Decision{
		Verdict: fitmentv1.Decision_PROVE_FIRST, MessageToYard: "Was it in a flood, or in a fire?",
		MissingEvidence: []*fitmentv1.MissingEvidence{{Attribute: flood, Ask: "Ask the yard for the paper on floods."}, {Attribute: recall}, {Attribute: fire}, {Attribute: flood}, {}},
	}
	r, err := inquiry.New(&fitmentv1.RequestEvidenceRequest{}, part(), "shop", id, d, noon)
	if err != nil || !slices.Equal(r.GetAttributes(), []fitmentv1.Evidence_Attribute{flood, fire}) || r.GetText() != d.GetMessageToYard() || r.GetAskedVerdict() != d.GetVerdict() {
		t.Errorf("asked %v, %v", r, err)
	}
	r, err = inquiry.New(&fitmentv1.RequestEvidenceRequest{Attributes: []fitmentv1.Evidence_Attribute{flood}}, part(), "shop", id, d, noon)
	if err != nil || !strings.Contains(r.GetText(), "Please send us the paper on floods.") {
		t.Errorf("asked %v, %v", r, err)
	}
}

// TestALifeIsOneWay moves a question from each state to each.
func TestALifeIsOneWay(t *testing.T) {
	t.Parallel()
	open, err := inquiry.New(&fitmentv1.RequestEvidenceRequest{Attributes: []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_FLOOD}}, part(), "shop", id, nil, noon)
	if err != nil {
		t.Fatal(err)
	}
	later := noon.Add(time.Hour)
	given := []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_FLOOD, Value: "no"}}
	moves := map[fitmentv1.EvidenceRequest_State]func(r *fitmentv1.EvidenceRequest) (*fitmentv1.EvidenceRequest, error){
		fitmentv1.EvidenceRequest_ANSWERED: func(r *fitmentv1.EvidenceRequest) (*fitmentv1.EvidenceRequest, error) {
			return inquiry.Answer(r, given, "see", fitmentv1.Decision_FITS, later)
		},
		fitmentv1.EvidenceRequest_DECLINED: func(r *fitmentv1.EvidenceRequest) (*fitmentv1.EvidenceRequest, error) {
			return inquiry.Decline(r, "no", later)
		},
		fitmentv1.EvidenceRequest_WITHDRAWN: func(r *fitmentv1.EvidenceRequest) (*fitmentv1.EvidenceRequest, error) {
			return inquiry.Withdraw(r, later)
		},
	}
	before := proto.CloneOf(open)
	for to, move := range moves {
		next, err := move(open)
		if err != nil || next.GetState() != to || !next.GetUpdateTime().AsTime().Equal(later) || !next.GetCreateTime().AsTime().Equal(noon) {
			t.Errorf("to %s: %v, %v", to, next, err)
		}
		for other, again := range moves {
			if _, err := again(next); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_EVIDENCE_REQUEST_CLOSED {
				t.Errorf("from %s to %s: %v", to, other, err)
			}
		}
	}
	if !proto.Equal(before, open) {
		t.Error("a move changed the question that it was given")
	}
	gone := part()
	gone.State = fitmentv1.Listing_SOLD
	if _, err := inquiry.New(&fitmentv1.RequestEvidenceRequest{}, gone, "shop", id, nil, noon); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_LISTING_GONE {
		t.Errorf("of what is sold: %v", err)
	}
}

// TestViewsLeaveTheRecordAlone: what is masked is a copy.
func TestViewsLeaveTheRecordAlone(t *testing.T) {
	t.Parallel()
	const donor, repair = "1G4AH59H45G118341", "1G4AH59H35G000001"
	l := part()
	l.Donor = &fitmentv1.Vehicle{Vin: donor}
	r := &fitmentv1.EvidenceRequest{
		Name: inquiry.Name("north-yard", id), Listing: l.GetName(), Shop: "shop",
		Need: &fitmentv1.Need{
			Vehicle: &fitmentv1.Vehicle{Vin: repair, Series: "as " + repair}, PartNumber: repair,
			Connector: &fitmentv1.Connector{Interface: repair, Keying: repair},
		},
		Text: "for " + strings.ToLower(repair), Answer: "from " + donor,
	}
	stored := proto.CloneOf(r)
	for who, c := range map[string]struct {
		viewer                identity.Principal
		seesDonor, seesRepair bool
	}{
		"shop":     {identity.Principal{Tenant: "shop"}, false, true},
		"yard":     {identity.Principal{Tenant: "north-yard"}, true, false},
		"operator": {identity.Principal{Tenant: "office", Roles: []identity.Role{identity.Admin, identity.Operator}}, false, false},
	} {
		text := strings.ToUpper(inquiry.View(r, l, c.viewer, noon).String())
		if strings.Contains(text, donor) != c.seesDonor || strings.Contains(text, repair) != c.seesRepair {
			t.Errorf("%s sees %s", who, text)
		}
		if !proto.Equal(r, stored) {
			t.Fatalf("the view of the %s changed the record", who)
		}
	}
	bare := &fitmentv1.EvidenceRequest{Name: r.GetName(), Shop: "shop", Need: &fitmentv1.Need{}}
	if got := inquiry.View(bare, l, identity.Principal{Tenant: "north-yard"}, noon); !proto.Equal(got, bare) {
		t.Errorf("a need without a vehicle: %v", got)
	}
}

func TestEncodingHasNoEtag(t *testing.T) {
	t.Parallel()
	r := &fitmentv1.EvidenceRequest{Name: inquiry.Name("north-yard", id), Etag: `"1"`, Text: "x"}
	raw, err := inquiry.Encode(r)
	if err != nil {
		t.Fatal(err)
	}
	got, err := inquiry.Decode(raw)
	if err != nil || got.GetEtag() != "" || got.GetText() != "x" || r.GetEtag() == "" {
		t.Errorf("stored %v, %v", got, err)
	}
	if _, err := inquiry.Decode([]byte{0xff}); err == nil {
		t.Error("nonsense was read")
	}
	if !inquiry.Party(r, "north-yard") || inquiry.Party(r, "") || inquiry.Party(r, "south-yard") {
		t.Error("the parties are wrong")
	}
}
