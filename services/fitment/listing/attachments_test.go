package listing_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
)

var hash = strings.Repeat("0123456789abcdef", 4)

// FuzzParseAttachmentName: whatever is taken for a name is written the same again,
// and neither part can lead anywhere else on a disk.
func FuzzParseAttachmentName(f *testing.F) {
	for _, seed := range []string{listing.AttachmentName("north-yard", hash), "attachments/a." + hash[1:], "attachments/a/b." + hash, "attachments/..." + hash, ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		owner, sum, ok := listing.ParseAttachmentName(name)
		if !ok {
			return
		}
		if listing.AttachmentName(owner, sum) != name || !identity.ValidTenant(owner) || len(sum) != 64 || strings.ContainsAny(owner+sum, `./\:`) {
			t.Errorf("%q was read as %q and %q", name, owner, sum)
		}
	})
}

func TestAttachmentNames(t *testing.T) {
	t.Parallel()
	if owner, sum, ok := listing.ParseAttachmentName("attachments/north-yard." + hash); !ok || owner != "north-yard" || sum != hash {
		t.Errorf("read as %q, %q, %t", owner, sum, ok)
	}
	for _, bad := range []string{
		"", hash, "attachments/" + hash, "attachments/." + hash, "attachments/north-yard." + hash[1:], "attachments/north-yard." + strings.ToUpper(hash),
		"attachments/North-Yard." + hash, "attachments/../x." + hash, "listings/north-yard." + hash, "attachments/north-yard." + hash + "\n",
	} {
		if _, _, ok := listing.ParseAttachmentName(bad); ok {
			t.Errorf("%q is a name", bad)
		}
	}
}

func TestWhatAListingShows(t *testing.T) {
	t.Parallel()
	label, both, vin := listing.AttachmentName("y", hash), listing.AttachmentName("y", hash[1:]+"0"), listing.AttachmentName("y", hash[2:]+"00")
	l := &fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{
		{Attribute: fitmentv1.Evidence_PART_NUMBER, Attachments: []string{label, both}},
		{Attribute: fitmentv1.Evidence_FLOOD},
		{Attribute: fitmentv1.Evidence_DONOR_VIN, Attachments: []string{both, vin}},
	}}
	for name, want := range map[string][2]bool{label: {true, false}, both: {true, true}, vin: {true, true}, "other": {false, false}} {
		if named, hasVIN := listing.Shows(l, name); named != want[0] || hasVIN != want[1] {
			t.Errorf("%s: named %t, with the VIN %t, want %v", name, named, hasVIN, want)
		}
	}
	// Papers that are made out to a vehicle bear its VIN, whatever they are sent for.
	for _, attribute := range []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_THEFT_QUERY_CLEAR, fitmentv1.Evidence_SELLER_STATEMENT, fitmentv1.Evidence_DONOR_CODES} {
		paper := &fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{{Attribute: attribute, Attachments: []string{label}}}}
		if named, hasVIN := listing.Shows(paper, label); !named || !hasVIN {
			t.Errorf("a paper for %s: named %t, with the VIN %t", attribute, named, hasVIN)
		}
	}
	if named, _ := listing.Shows(nil, label); named {
		t.Error("no listing shows something")
	}
}

func TestStatementsAreValidatedWhereTheyStand(t *testing.T) {
	t.Parallel()
	good := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Attachments: []string{listing.AttachmentName("y", hash)}}
	bad := proto.CloneOf(good)
	bad.Value, bad.Attachments = "maybe", append(bad.GetAttachments(), bad.GetAttachments()[0], "photo.jpg")
	var fields check.Fields
	listing.ValidateStatements([]*fitmentv1.Evidence{good, bad}, "y", "evidence", &fields)
	var got []string
	for _, v := range fields.Violations() {
		got = append(got, v.Field)
	}
	slices.Sort(got)
	if want := []string{"evidence[1].attachments[1]", "evidence[1].attachments[2]", "evidence[1].value"}; !slices.Equal(got, want) {
		t.Errorf("fields %v, want %v", got, want)
	}
	var many check.Fields
	listing.ValidateStatements(slices.Repeat([]*fitmentv1.Evidence{good}, listing.MaxEvidence+1), "y", "evidence", &many)
	if len(many.Violations()) != 1 {
		t.Errorf("too many: %v", many.Violations())
	}
}

// TestSupportIsReadAsInFiles goes through the forms that a file's cell may have.
func TestSupportIsReadAsInFiles(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]*fitmentv1.Evidence{
		"":                                        {Level: fitmentv1.Evidence_CLAIMED, By: "y"},
		"Claimed":                                 {Level: fitmentv1.Evidence_CLAIMED, By: "y"},
		"shown: label photo @2026-10-02":          {Level: fitmentv1.Evidence_SHOWN, By: "y", How: "label photo", Date: "2026-10-02"},
		"confirmed: arrival check by J. Field":    {Level: fitmentv1.Evidence_CONFIRMED, By: "J. Field", How: "arrival check"},
		"confirmed: by J. Field @2026-10-02":      {Level: fitmentv1.Evidence_CONFIRMED, By: "J. Field", Date: "2026-10-02"},
		"guessed: somehow":                        nil,
		fmt.Sprint("shown", "label photo"):        nil,
		"attachments/y." + hash:                   nil,
		"reading: method=module-reported,ohms=2.": nil,
	} {
		got := &fitmentv1.Evidence{}
		ok := listing.Support(text, "y", got)
		if ok != (want != nil) || ok && !proto.Equal(got, want) {
			t.Errorf("%q is read as %v, %t", text, got, ok)
		}
	}
}
