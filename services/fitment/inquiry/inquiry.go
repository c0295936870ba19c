// Package inquiry is a shop's question to a yard about one listing, and its life:
// open, then answered, declined or withdrawn. Everything here is pure: time,
// viewer, decision and the stored records are arguments.
package inquiry

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Kind is the store's kind of a question; the record's tenant is the yard.
const Kind = "evidence-request"

const prefix = "evidenceRequests/"

// Limits on what a question may say.
const (
	// MaxAttributes bounds what is asked for at once.
	MaxAttributes = 32
	// MaxText bounds question and remark, in characters.
	MaxText = 2000
)

var idShape = regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$`)

// Name is the resource name of a question to a yard.
func Name(yard, id string) string { return prefix + yard + "." + id }

// ParseName splits a resource name into yard and id; false where it is no name of
// a question.
func ParseName(name string) (yard, id string, ok bool) {
	body, found := strings.CutPrefix(name, prefix)
	yard, id, dotted := strings.Cut(body, ".")
	if !found || !dotted || !identity.ValidTenant(yard) || !idShape.MatchString(id) {
		return "", "", false
	}
	return yard, id, true
}

// Key is where a question is stored.
func Key(yard, id string) store.Key { return store.Key{Tenant: yard, Kind: Kind, ID: id} }

// Encode turns a question into its stored form, which has no etag.
func Encode(r *fitmentv1.EvidenceRequest) ([]byte, error) {
	bare := proto.CloneOf(r)
	bare.Etag = ""
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", r.GetName(), err)
	}
	return raw, nil
}

// Decode reads a stored question.
func Decode(value []byte) (*fitmentv1.EvidenceRequest, error) {
	r := &fitmentv1.EvidenceRequest{}
	if err := proto.Unmarshal(value, r); err != nil {
		return nil, fmt.Errorf("decode an evidence request: %w", err)
	}
	return r, nil
}

// Yard is whose listing a question is about.
func Yard(r *fitmentv1.EvidenceRequest) string {
	yard, _, _ := ParseName(r.GetName())
	return yard
}

// Party tells whether a business asked the question or was asked it.
func Party(r *fitmentv1.EvidenceRequest, tenant string) bool {
	return tenant != "" && (tenant == r.GetShop() || tenant == Yard(r))
}

// ValidateAsked notes what is wrong with the attributes and the text of a question.
func ValidateAsked(attributes []fitmentv1.Evidence_Attribute, text string, fields *check.Fields) {
	if n := len(attributes); n > MaxAttributes {
		fields.Add("attributes", fmt.Sprintf("has %d attributes", n), fmt.Sprintf("at most %d", MaxAttributes))
		return
	}
	for i, attribute := range attributes {
		field := fmt.Sprintf("attributes[%d]", i)
		_, known := fitmentv1.Evidence_Attribute_name[int32(attribute)]
		switch {
		case !known || attribute == fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED:
			fields.Add(field, "is missing or unknown", "an attribute such as PART_NUMBER")
		case !rules.FromYard(attribute):
			fields.Add(field, attribute.String()+" is nothing that a yard can give", "an attribute such as PART_NUMBER")
		case slices.Contains(attributes[:i], attribute):
			fields.Add(field, attribute.String()+" is asked for twice", "each attribute once")
		}
	}
	ValidateText("text", text, fields)
}

// ValidateText notes what is wrong with a question's text or a remark, which may
// have several lines and be empty.
func ValidateText(field, text string, fields *check.Fields) {
	if n := utf8.RuneCountInString(text); n > MaxText {
		fields.Add(field, fmt.Sprintf("has %d characters", n), fmt.Sprintf("at most %d", MaxText))
		return
	}
	fields.Text(field, strings.ReplaceAll(text, "\n", " "), MaxText, false)
}

// New is a question as it is asked. Where it names no attributes, everything is
// asked for that is missing by the decision and that a yard can give; FIELD_INVALID
// where that is nothing. Where it has no text, the text is written here. Asked is
// the request; its listing, need and text have been validated.
func New(
	asked *fitmentv1.RequestEvidenceRequest, l *fitmentv1.Listing, shop, id string, decision *fitmentv1.Decision, now time.Time,
) (*fitmentv1.EvidenceRequest, error) {
	if err := listing.OnSale(l); err != nil {
		return nil, err
	}
	attributes := slices.Clone(asked.GetAttributes())
	if len(attributes) == 0 {
		attributes = missing(decision)
	}
	if len(attributes) == 0 {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "attributes", Problem: "is empty, and nothing is missing that a yard could give", Expected: "what you want to know all the same",
		})
	}
	text := asked.GetText()
	if text == "" {
		text = message(l, attributes, decision)
	}
	return &fitmentv1.EvidenceRequest{
		Name: Name(l.GetYard(), id), Listing: l.GetName(), Shop: shop, Need: proto.CloneOf(asked.GetNeed()),
		Attributes: attributes, Text: text, State: fitmentv1.EvidenceRequest_OPEN, AskedVerdict: decision.GetVerdict(),
		CreateTime: timestamppb.New(now), UpdateTime: timestamppb.New(now),
	}, nil
}

// Add is what the yard says about its part with statements added to what it said
// before. One that stands there already, word for word, is not said twice.
func Add(l *fitmentv1.Listing, given []*fitmentv1.Evidence) *fitmentv1.Listing {
	said := listing.Content(l)
	for _, e := range given {
		known := func(old *fitmentv1.Evidence) bool { return proto.Equal(old, e) }
		if !slices.ContainsFunc(said.GetEvidence(), known) {
			said.Evidence = append(said.GetEvidence(), proto.CloneOf(e))
		}
	}
	return said
}

// Answer is the question once the yard has given evidence, and the verdict that
// follows from it. Errors: see open.
func Answer(
	r *fitmentv1.EvidenceRequest, given []*fitmentv1.Evidence, remark string, verdict fitmentv1.Decision_Verdict, now time.Time,
) (*fitmentv1.EvidenceRequest, error) {
	next, err := move(r, fitmentv1.EvidenceRequest_ANSWERED, remark, now)
	if err != nil {
		return nil, err
	}
	for _, e := range given {
		next.Evidence = append(next.GetEvidence(), proto.CloneOf(e))
	}
	next.AnsweredVerdict = verdict
	return next, nil
}

// Decline is the question once the yard has declined it. Errors: see open.
func Decline(r *fitmentv1.EvidenceRequest, remark string, now time.Time) (*fitmentv1.EvidenceRequest, error) {
	return move(r, fitmentv1.EvidenceRequest_DECLINED, remark, now)
}

// Withdraw is the question once the shop has taken it back. Errors: see open.
func Withdraw(r *fitmentv1.EvidenceRequest, now time.Time) (*fitmentv1.EvidenceRequest, error) {
	return move(r, fitmentv1.EvidenceRequest_WITHDRAWN, "", now)
}

func move(r *fitmentv1.EvidenceRequest, to fitmentv1.EvidenceRequest_State, remark string, now time.Time) (*fitmentv1.EvidenceRequest, error) {
	if err := open(r); err != nil {
		return nil, err
	}
	next := proto.CloneOf(r)
	next.State, next.Answer, next.UpdateTime = to, remark, timestamppb.New(now)
	return next, nil
}

// open refuses what is over already: FAILED_PRECONDITION with
// EVIDENCE_REQUEST_CLOSED.
func open(r *fitmentv1.EvidenceRequest) error {
	if r.GetState() == fitmentv1.EvidenceRequest_OPEN {
		return nil
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_EVIDENCE_REQUEST_CLOSED, "%s is no longer open: it was %s on %s",
		r.GetName(), strings.ToLower(r.GetState().String()), r.GetUpdateTime().AsTime().UTC().Format(time.RFC3339))
}

// View is a question as one of its parties, or the operator, may see it at a
// time. Nobody but the shop sees the VIN of the shop's vehicle; the shop sees the
// donor's VIN in full only where it would see it in the listing.
func View(r *fitmentv1.EvidenceRequest, l *fitmentv1.Listing, viewer identity.Principal, now time.Time) *fitmentv1.EvidenceRequest {
	v := proto.CloneOf(r)
	if viewer.Tenant != r.GetShop() {
		hideNeed(v)
	}
	own := v.GetNeed().GetVehicle().GetVin()
	// The listing may have changed since: what the answer stated counts too.
	about := proto.CloneOf(l)
	about.Evidence = append(about.GetEvidence(), r.GetEvidence()...)
	v = listing.Mask(v, about, viewer, now)
	v.Name, v.Listing, v.Shop = r.GetName(), r.GetListing(), r.GetShop()
	if own != "" {
		v.Need.Vehicle.Vin = own // it is the viewer's
	}
	return v
}

// hideNeed takes the VIN of the vehicle that is repaired out of a question,
// wherever the shop wrote it.
func hideNeed(r *fitmentv1.EvidenceRequest) {
	vin := r.GetNeed().GetVehicle().GetVin()
	if vin == "" {
		return
	}
	r.Need.Vehicle.Vin = ""
	written := regexp.MustCompile("(?i:" + regexp.QuoteMeta(vin) + ")")
	hide := func(text string) string { return written.ReplaceAllStringFunc(text, listing.MaskVIN) }
	r.Text = hide(r.GetText())
	for _, text := range needTexts(r.GetNeed()) {
		*text = hide(*text)
	}
}

// needTexts are the free texts of a need.
func needTexts(n *fitmentv1.Need) []*string {
	v := n.GetVehicle()
	texts := []*string{&v.Make, &v.Model, &v.Body, &v.Series, &v.Plant, &v.RestraintText, &n.PartMaker, &n.PartNumber}
	for i := range v.GetOptions() {
		texts = append(texts, &v.Options[i])
	}
	if n.GetConnector() != nil {
		texts = append(texts, &n.Connector.Interface, &n.Connector.Keying)
	}
	return texts
}
