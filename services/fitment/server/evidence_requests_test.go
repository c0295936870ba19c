package server_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

const claimed = "listings/north-yard.claimed"

// repairVIN is of the vehicle that is repaired; its characters are invented.
const repairVIN = "1G4AH59H35G000001"

func needWithVIN() *fitmentv1.Need {
	n := need()
	n.Vehicle.Vin = repairVIN
	return n
}

func (f *fixture) ask(t *testing.T, who string, req *fitmentv1.RequestEvidenceRequest) (*fitmentv1.EvidenceRequest, error) {
	t.Helper()
	if req.GetListing() == "" {
		req.Listing = claimed
	}
	if req.GetNeed() == nil {
		req.Need = needWithVIN()
	}
	if req.GetRequestId() == "" {
		req.RequestId = newID()
	}
	got, err := f.evidence.RequestEvidence(as(t, who), req)
	return got.GetEvidenceRequest(), err
}

func (f *fixture) mustAsk(t *testing.T, who string) *fitmentv1.EvidenceRequest {
	t.Helper()
	r, err := f.ask(t, who, &fitmentv1.RequestEvidenceRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// labelPhoto is the statement that proves the number of the listing "claimed".
func labelPhoto(attachments ...string) *fitmentv1.Evidence {
	return &fitmentv1.Evidence{
		Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "K-1", Level: fitmentv1.Evidence_SHOWN,
		By: "north-yard", How: "label photo", Date: "2026-06-29", Attachments: attachments,
	}
}

func (f *fixture) reply(t *testing.T, who, name string, given ...*fitmentv1.Evidence) (*fitmentv1.AnswerEvidenceRequestResponse, error) {
	t.Helper()
	return f.evidence.AnswerEvidenceRequest(as(t, who), &fitmentv1.AnswerEvidenceRequestRequest{
		Name: name, Evidence: given, Answer: "here you are", RequestId: newID(),
	})
}

func (f *fixture) inquiry(t *testing.T, who, name string) (*fitmentv1.GetEvidenceRequestResponse, error) {
	t.Helper()
	return f.evidence.GetEvidenceRequest(as(t, who), &fitmentv1.GetEvidenceRequestRequest{Name: name})
}

// TestAShopAsksAndTheYardAnswers is the main job: what is not proven is asked for,
// the answer proves it, and the decision changes.
func TestAShopAsksAndTheYardAnswers(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	asked := f.mustAsk(t, shopA)
	if asked.GetState() != fitmentv1.EvidenceRequest_OPEN || asked.GetShop() != "shop-a" || asked.GetListing() != claimed ||
		!strings.HasPrefix(asked.GetName(), "evidenceRequests/north-yard.") || asked.GetAskedVerdict() != fitmentv1.Decision_PROVE_FIRST ||
		!slices.Equal(asked.GetAttributes(), []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_PART_NUMBER}) || asked.GetEtag() == "" {
		t.Errorf("asked %v", asked)
	}
	if text := asked.GetText(); !strings.Contains(text, "claimed") || !strings.Contains(text, "label") || strings.Contains(text, "Ask the yard") {
		t.Errorf("the yard reads %q", text)
	}
	before, err := f.inquiry(t, shopA, asked.GetName())
	if err != nil || before.GetDecision().GetVerdict() != fitmentv1.Decision_PROVE_FIRST || before.GetEvidenceRequest().GetNeed().GetVehicle().GetVin() != repairVIN {
		t.Errorf("before: %v, %v", before, err)
	}

	f.clock.Advance(time.Hour)
	photo := f.photo(t, northYard, label(t, "K-1"))
	got, err := f.reply(t, northYard, asked.GetName(), labelPhoto(photo))
	if err != nil {
		t.Fatal(err)
	}
	answered := got.GetEvidenceRequest()
	if answered.GetState() != fitmentv1.EvidenceRequest_ANSWERED || answered.GetAnsweredVerdict() != fitmentv1.Decision_FITS || answered.GetAnswer() != "here you are" ||
		answered.GetEtag() == asked.GetEtag() || !answered.GetUpdateTime().AsTime().Equal(f.clock.Now()) || answered.GetUpdateTime().AsTime().Equal(answered.GetCreateTime().AsTime()) {
		t.Errorf("answered %v", answered)
	}
	shown := got.GetListing().GetEvidence()
	if last := shown[len(shown)-1]; !proto.Equal(last, labelPhoto(photo)) || got.GetListing().GetName() != claimed {
		t.Errorf("the listing shows %v", last)
	}
	stored := f.get(t, northYard, claimed)
	if diff := cmp.Diff(got.GetListing(), stored, protocmp.Transform()); diff != "" {
		t.Errorf("the listing answered and the one stored (-answered +stored):\n%s", diff)
	}

	after, err := f.inquiry(t, shopA, asked.GetName())
	if err != nil || after.GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("after: %v, %v", after.GetDecision(), err)
	}
	if !slices.ContainsFunc(after.GetEvidenceRequest().GetEvidence(), func(e *fitmentv1.Evidence) bool { return slices.Contains(e.GetAttachments(), photo) }) {
		t.Errorf("the shop is not told of the photo: %v", after.GetEvidenceRequest())
	}
	if _, content, err := f.fetch(t, shopA, photo, claimed); err != nil || len(content) == 0 {
		t.Errorf("the shop looks at the photo: %d bytes, %v", len(content), err)
	}
	decided, err := f.decisions.Decide(as(t, shopB), &fitmentv1.DecideRequest{Need: need(), ListingName: claimed, MinRevision: got.GetRevision()})
	if err != nil || decided.GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("anybody else: %v, %v", decided.GetDecision().GetVerdict(), err)
	}
}

func TestWhatAQuestionAsksFor(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	number, loop, flood := fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_LOOP_RESISTANCE, fitmentv1.Evidence_FLOOD
	own, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Attributes: []fitmentv1.Evidence_Attribute{flood, loop}})
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(own.GetText(), "\n")
	if !slices.Equal(own.GetAttributes(), []fitmentv1.Evidence_Attribute{flood, loop}) || len(lines) < 3 ||
		!strings.Contains(lines[1], "1. ") || !strings.Contains(lines[1], "flood") || !strings.Contains(lines[2], "2. ") || !strings.Contains(lines[2], "Nobody should put a meter on a live squib") {
		t.Errorf("asked for %v in %q", own.GetAttributes(), own.GetText())
	}
	words, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Attributes: []fitmentv1.Evidence_Attribute{number}, Text: "Which number is on the label?\nThank you."})
	if err != nil || words.GetText() != "Which number is on the label?\nThank you." {
		t.Errorf("own words: %v, %v", words, err)
	}
	// Nothing is missing of this one, but one may ask all the same.
	_, err = f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Listing: fits1, Need: need()})
	if !slices.Equal(fieldsOf(err), []string{"attributes"}) {
		t.Errorf("nothing missing: %v", err)
	}
	if got, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Listing: fits1, Attributes: []fitmentv1.Evidence_Attribute{loop}}); err != nil || got.GetAskedVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("asked all the same: %v, %v", got, err)
	}
	bare, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Listing: "listings/north-yard.bare"})
	if err != nil || len(bare.GetAttributes()) < 10 || len(bare.GetText()) > 2000 {
		t.Errorf("of a bare listing: %d attributes in %d bytes, %v", len(bare.GetAttributes()), len(bare.GetText()), err)
	}
	for _, attribute := range []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_RECALL_OPEN, fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED} {
		if slices.Contains(bare.GetAttributes(), attribute) {
			t.Errorf("the yard is asked for %s", attribute)
		}
	}
}

func TestQuestionsThatAreRefused(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	number := fitmentv1.Evidence_PART_NUMBER
	for name, c := range map[string]struct {
		change func(r *fitmentv1.RequestEvidenceRequest)
		fields []string
	}{
		"no listing":        {func(r *fitmentv1.RequestEvidenceRequest) { r.Listing = "" }, []string{"listing"}},
		"no need":           {func(r *fitmentv1.RequestEvidenceRequest) { r.Need = nil }, []string{"need.kind", "need.vehicle.make", "need.vehicle.model"}},
		"no request id":     {func(r *fitmentv1.RequestEvidenceRequest) { r.RequestId = "x" }, []string{"request_id"}},
		"a long text":       {func(r *fitmentv1.RequestEvidenceRequest) { r.Text = strings.Repeat("é", 2001) }, []string{"text"}},
		"a control in it":   {func(r *fitmentv1.RequestEvidenceRequest) { r.Text = "a\x1b[2J" }, []string{"text"}},
		"no attribute":      {func(r *fitmentv1.RequestEvidenceRequest) { r.Attributes = []fitmentv1.Evidence_Attribute{0} }, []string{"attributes[0]"}},
		"unknown attribute": {func(r *fitmentv1.RequestEvidenceRequest) { r.Attributes = []fitmentv1.Evidence_Attribute{number, 999} }, []string{"attributes[1]"}},
		"an attribute twice": {func(r *fitmentv1.RequestEvidenceRequest) {
			r.Attributes = []fitmentv1.Evidence_Attribute{number, number}
		}, []string{"attributes[1]"}},
		"many attributes": {func(r *fitmentv1.RequestEvidenceRequest) { r.Attributes = make([]fitmentv1.Evidence_Attribute, 33) }, []string{"attributes"}},
	} {
		req := &fitmentv1.RequestEvidenceRequest{Listing: claimed, Need: need(), RequestId: newID()}
		c.change(req)
		_, err := f.evidence.RequestEvidence(as(t, shopA), req)
		got := fieldsOf(err)
		if name == "no need" {
			got = slices.DeleteFunc(got, func(field string) bool { return field == "need.position" })
		}
		if !slices.Equal(got, c.fields) {
			t.Errorf("%s: fields %v, %v", name, got, err)
		}
	}
	_, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Listing: "listings/north-yard.missing"})
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	l := f.get(t, northYard, claimed)
	if _, err := f.listings.WithdrawListing(as(t, northYard), &fitmentv1.WithdrawListingRequest{Name: claimed, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	_, err = f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	_, err = f.evidence.RequestEvidence(t.Context(), &fitmentv1.RequestEvidenceRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestAnswersThatAreRefused(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	asked := f.mustAsk(t, shopA)
	good := labelPhoto()
	with := func(change func(e *fitmentv1.Evidence)) []*fitmentv1.Evidence {
		e := proto.CloneOf(good)
		change(e)
		return []*fitmentv1.Evidence{good, e}
	}
	for name, c := range map[string]struct {
		given  []*fitmentv1.Evidence
		fields []string
	}{
		"nothing":             {nil, []string{"evidence"}},
		"no attribute":        {with(func(e *fitmentv1.Evidence) { e.Attribute = 0 }), []string{"evidence[1].attribute"}},
		"not a value":         {with(func(e *fitmentv1.Evidence) { e.Attribute = fitmentv1.Evidence_FLOOD }), []string{"evidence[1].value"}},
		"shown by nothing":    {with(func(e *fitmentv1.Evidence) { e.How = "" }), []string{"evidence[1].how"}},
		"confirmed by itself": {with(func(e *fitmentv1.Evidence) { e.Level = fitmentv1.Evidence_CONFIRMED }), []string{"evidence[1].by"}},
		"of the future":       {with(func(e *fitmentv1.Evidence) { e.Date = "2026-07-02" }), []string{"evidence[1].date"}},
		"a photo that is not": {with(func(e *fitmentv1.Evidence) {
			e.Attachments = []string{"attachments/north-yard." + strings.Repeat("0", 64)}
		}), []string{"evidence[1].attachments[0]"}},
		"too many statements":   {slices.Repeat([]*fitmentv1.Evidence{good}, 65), []string{"evidence"}},
		"too many in all there": {many(60), []string{"evidence"}},
	} {
		_, err := f.reply(t, northYard, asked.GetName(), c.given...)
		if got := fieldsOf(err); !slices.Equal(got, c.fields) {
			t.Errorf("%s: fields %v, %v", name, got, err)
		}
	}
	_, err := f.evidence.AnswerEvidenceRequest(as(t, northYard), &fitmentv1.AnswerEvidenceRequestRequest{Name: "x", Answer: strings.Repeat("a", 2001), RequestId: "x"})
	if got := fieldsOf(err); !slices.Equal(got, []string{"answer", "evidence", "name", "request_id"}) {
		t.Errorf("fields %v", got)
	}
	still, err := f.inquiry(t, northYard, asked.GetName())
	if err != nil || still.GetEvidenceRequest().GetEtag() != asked.GetEtag() {
		t.Errorf("refused, but changed: %v, %v", still, err)
	}
}

// many are distinct statements.
func many(n int) []*fitmentv1.Evidence {
	var list []*fitmentv1.Evidence
	for i := range n {
		list = append(list, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PULLED_BY, Value: fmt.Sprint("J. Field ", i)})
	}
	return list
}

// TestWhoMaySeeAndDoWhat goes through every party and every call.
func TestWhoMaySeeAndDoWhat(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	open := func() string {
		if err := f.restore(t); err != nil {
			t.Fatal(err)
		}
		return f.mustAsk(t, shopA).GetName()
	}
	none, hidden, missing := fitmentv1.ErrorInfo_REASON_UNSPECIFIED, fitmentv1.ErrorInfo_PERMISSION_MISSING, fitmentv1.ErrorInfo_NOT_FOUND
	desk := "north-yard shop" // of the yard's business, but without the role yard
	for _, c := range []struct {
		who                            string
		get, answer, decline, withdraw fitmentv1.ErrorInfo_Reason
	}{
		{shopA, none, hidden, hidden, none},
		{northYard, none, none, none, hidden},
		{desk, none, hidden, hidden, hidden},
		{admin, none, none, none, none},
		{shopB, missing, missing, missing, missing},
		{"south-yard yard", missing, missing, missing, missing},
	} {
		t.Log(c.who)
		_, err := f.inquiry(t, c.who, open())
		wantReason(t, err, c.get)
		_, err = f.reply(t, c.who, open(), labelPhoto())
		wantReason(t, err, c.answer)
		_, err = f.evidence.DeclineEvidenceRequest(as(t, c.who), &fitmentv1.DeclineEvidenceRequestRequest{Name: open(), RequestId: newID()})
		wantReason(t, err, c.decline)
		_, err = f.evidence.WithdrawEvidenceRequest(as(t, c.who), &fitmentv1.WithdrawEvidenceRequestRequest{Name: open(), RequestId: newID()})
		wantReason(t, err, c.withdraw)
	}
	_, err := f.inquiry(t, shopA, "evidenceRequests/north-yard.00000000-0000-0000-0000-000000000000")
	wantReason(t, err, missing)
	_, err = f.inquiry(t, shopA, "evidenceRequests/north-yard.1")
	if !slices.Equal(fieldsOf(err), []string{"name"}) {
		t.Errorf("got %v", err)
	}
}

// TestNoVINReachesTheOtherSide: the yard does not see the VIN of the vehicle that
// is repaired, the shop not the donor's, wherever they stand.
func TestNoVINReachesTheOtherSide(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	n := needWithVIN()
	n.Vehicle.RestraintText = "as filed for " + strings.ToLower(repairVIN)
	asked, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Need: n, Text: "For " + repairVIN + ": which number is on it?"})
	if err != nil {
		t.Fatal(err)
	}
	const donor = "1G4AH59H45G118341"
	vin := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: donor, Level: fitmentv1.Evidence_SHOWN, How: "plate photo"}
	got, err := f.evidence.AnswerEvidenceRequest(as(t, northYard), &fitmentv1.AnswerEvidenceRequestRequest{
		Name: asked.GetName(), Evidence: []*fitmentv1.Evidence{labelPhoto(), vin}, Answer: "It is from " + donor + ".", RequestId: newID(),
	})
	if err != nil {
		t.Fatal(err)
	}
	told := func(m proto.Message) (repair, donors bool) {
		t.Helper()
		raw, err := protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.ToUpper(string(raw))
		return strings.Contains(text, repairVIN[11:]), strings.Contains(text, donor[11:])
	}
	list := func(who string) proto.Message {
		answer, err := f.evidence.ListEvidenceRequests(as(t, who), &fitmentv1.ListEvidenceRequestsRequest{})
		if err != nil || len(answer.GetEvidenceRequests()) != 1 {
			t.Fatalf("%s: %v, %v", who, answer, err)
		}
		return answer
	}
	get := func(who string) proto.Message {
		answer, err := f.inquiry(t, who, asked.GetName())
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
	watched := func(who string) proto.Message {
		m, err := f.follow(t, who, "").next()
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if repair, donors := told(got); repair || !donors {
		t.Errorf("the yard's answer tells the shop's VIN %t, its own %t", repair, donors)
	}
	for name, view := range map[string]func(string) proto.Message{"list": list, "get": get, "watch": watched} {
		if repair, donors := told(view(northYard)); repair || !donors {
			t.Errorf("%s tells the yard the shop's VIN %t, its own %t", name, repair, donors)
		}
		if repair, donors := told(view(shopA)); !repair || donors {
			t.Errorf("%s tells the shop its own VIN %t, the donor's %t", name, repair, donors)
		}
	}
	f.hold(t, shopA, claimed, 60)
	if _, donors := told(get(shopA)); !donors {
		t.Error("the holder does not see the donor's VIN")
	}
}

func TestAnOpenQuestionEndsOnce(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	decline := func(name string) error {
		_, err := f.evidence.DeclineEvidenceRequest(as(t, northYard), &fitmentv1.DeclineEvidenceRequestRequest{Name: name, Answer: "sold at the counter", RequestId: newID()})
		return err
	}
	withdraw := func(name string) error {
		_, err := f.evidence.WithdrawEvidenceRequest(as(t, shopA), &fitmentv1.WithdrawEvidenceRequestRequest{Name: name, RequestId: newID()})
		return err
	}
	answer := func(name string) error {
		_, err := f.reply(t, northYard, name, labelPhoto())
		return err
	}
	ends := map[fitmentv1.EvidenceRequest_State]func(string) error{
		fitmentv1.EvidenceRequest_DECLINED: decline, fitmentv1.EvidenceRequest_WITHDRAWN: withdraw, fitmentv1.EvidenceRequest_ANSWERED: answer,
	}
	for state, end := range ends {
		name := f.mustAsk(t, shopA).GetName()
		if err := end(name); err != nil {
			t.Fatalf("%s: %v", state, err)
		}
		got, err := f.inquiry(t, shopA, name)
		if err != nil || got.GetEvidenceRequest().GetState() != state {
			t.Errorf("%s: %v, %v", state, got, err)
		}
		if state == fitmentv1.EvidenceRequest_DECLINED && got.GetEvidenceRequest().GetAnswer() != "sold at the counter" {
			t.Errorf("declined: %q", got.GetEvidenceRequest().GetAnswer())
		}
		for other, again := range ends {
			err := again(name)
			wantReason(t, err, fitmentv1.ErrorInfo_EVIDENCE_REQUEST_CLOSED)
			if status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), strings.ToLower(state.String())) {
				t.Errorf("%s after %s: %v", other, state, err)
			}
		}
		if err := f.restore(t); err != nil {
			t.Fatal(err)
		}
	}
}

// restore takes back what answers have said about the listing "claimed".
func (f *fixture) restore(t *testing.T) error {
	t.Helper()
	l := f.get(t, northYard, claimed)
	l.Evidence = slices.DeleteFunc(l.GetEvidence(), func(e *fitmentv1.Evidence) bool { return e.GetAttribute() == fitmentv1.Evidence_PART_NUMBER })
	_, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()})
	return err
}

func TestAnAnswerAndTheListing(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	// A statement that stands there already is not said twice.
	first, second := f.mustAsk(t, shopA).GetName(), f.mustAsk(t, shopB).GetName()
	before := len(f.get(t, northYard, claimed).GetEvidence())
	if _, err := f.reply(t, northYard, first, labelPhoto()); err != nil {
		t.Fatal(err)
	}
	if got, err := f.reply(t, northYard, second, labelPhoto()); err != nil || len(got.GetListing().GetEvidence()) != before+1 ||
		len(got.GetEvidenceRequest().GetEvidence()) != 1 {
		t.Errorf("said again: %v, %v", got, err)
	}
	if err := f.restore(t); err != nil {
		t.Fatal(err)
	}
	// Evidence may be added while somebody holds the part; a bad answer counts too.
	third := f.mustAsk(t, shopA).GetName()
	f.hold(t, shopB, claimed, 60)
	other := labelPhoto()
	other.Value = "X-1"
	got, err := f.reply(t, northYard, third, other)
	if err != nil || got.GetEvidenceRequest().GetAnsweredVerdict() != fitmentv1.Decision_PROVE_FIRST { // it contradicts the listing's own field
		t.Errorf("another number: %v, %v", got.GetEvidenceRequest(), err)
	}
	f.clock.Advance(time.Hour)
	if err := f.restore(t); err != nil {
		t.Fatal(err)
	}
	// What is gone is not changed, but the question can be declined.
	fourth := f.mustAsk(t, shopA).GetName()
	l := f.get(t, northYard, claimed)
	if _, err := f.listings.WithdrawListing(as(t, northYard), &fitmentv1.WithdrawListingRequest{Name: claimed, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	_, err = f.reply(t, northYard, fourth, labelPhoto())
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	if _, err := f.evidence.DeclineEvidenceRequest(as(t, northYard), &fitmentv1.DeclineEvidenceRequestRequest{Name: fourth, RequestId: newID()}); err != nil {
		t.Error(err)
	}
}

func TestRepeatsOfQuestionsAndAnswers(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	ask := &fitmentv1.RequestEvidenceRequest{Listing: claimed, Need: needWithVIN(), RequestId: newID()}
	first, err := f.evidence.RequestEvidence(as(t, shopA), ask)
	if err != nil {
		t.Fatal(err)
	}
	again, err := f.evidence.RequestEvidence(as(t, shopA), ask)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("asked %v, again %v, %v", first, again, err)
	}
	// Another business may use the same id.
	if other, err := f.evidence.RequestEvidence(as(t, shopB), ask); err != nil || other.GetEvidenceRequest().GetName() == first.GetEvidenceRequest().GetName() {
		t.Errorf("another business: %v, %v", other, err)
	}
	changed := proto.CloneOf(ask)
	changed.Text = "another question"
	_, err = f.evidence.RequestEvidence(as(t, shopA), changed)
	wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	f.clock.Advance(store.RequestIDTTL + time.Hour)
	_, err = f.evidence.RequestEvidence(as(t, shopA), ask)
	wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)

	reply := &fitmentv1.AnswerEvidenceRequestRequest{Name: first.GetEvidenceRequest().GetName(), Evidence: []*fitmentv1.Evidence{labelPhoto()}, RequestId: newID()}
	one, err := f.evidence.AnswerEvidenceRequest(as(t, northYard), reply)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.restore(t); err != nil { // the listing changes afterwards
		t.Fatal(err)
	}
	two, err := f.evidence.AnswerEvidenceRequest(as(t, northYard), reply)
	if err != nil || !proto.Equal(one, two) {
		t.Errorf("answered %v, again %v, %v", one, two, err)
	}
	place, err := revision.Parse(one.GetRevision())
	if err != nil || revision.ETag(place.Version) != one.GetListing().GetEtag() {
		t.Errorf("revision %q, etag %q, %v", one.GetRevision(), one.GetListing().GetEtag(), err)
	}
}

// TestAnAnswerIsOneStep lets the listing change between the answer's reading and
// its writing: the answer then stands on the listing as it is, or nothing happens.
func TestAnAnswerIsOneStep(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	name := f.mustAsk(t, shopA).GetName()
	meddled := &between{Store: f.store}
	g := serveOn(t, meddled, f.clock)
	meddled.do = sync.OnceFunc(func() {
		l := f.get(t, northYard, claimed)
		l.Note = "moved to shelf 7"
		if _, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
			t.Error(err)
		}
	})
	got, err := g.reply(t, northYard, name, labelPhoto())
	if err != nil || got.GetListing().GetNote() != "moved to shelf 7" {
		t.Errorf("answered %v, %v", got, err)
	}
}

func TestABusinessHasSoManyOpenQuestions(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	var names []string
	for range server.MaxOpenRequests {
		names = append(names, f.mustAsk(t, shopA).GetName())
	}
	_, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	f.mustAsk(t, shopB)
	if _, err := f.evidence.WithdrawEvidenceRequest(as(t, shopA), &fitmentv1.WithdrawEvidenceRequestRequest{Name: names[7], RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	f.mustAsk(t, shopA)
	_, err = f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
}

func TestQuestionsAreListed(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	south := plain("1")
	south.Yard = "south-yard"
	f.create(t, "south-yard yard", south)
	want := map[string][]string{}
	note := func(name string, parties ...string) string {
		for _, party := range parties {
			want[party] = append(want[party], name)
		}
		return name
	}
	for range 3 {
		note(f.mustAsk(t, shopA).GetName(), shopA, northYard)
		note(f.mustAsk(t, shopB).GetName(), shopB, northYard)
	}
	own, err := f.ask(t, shopA, &fitmentv1.RequestEvidenceRequest{Listing: "listings/south-yard.1"})
	if err != nil {
		t.Fatal(err)
	}
	note(own.GetName(), shopA, "south-yard yard")
	// A yard asks another one: both in one list.
	yards, err := f.ask(t, "south-yard yard", &fitmentv1.RequestEvidenceRequest{})
	if err != nil {
		t.Fatal(err)
	}
	note(yards.GetName(), "south-yard yard", northYard)
	if _, err := f.reply(t, northYard, want[shopA][0], labelPhoto()); err != nil {
		t.Fatal(err)
	}
	list := func(who string, req *fitmentv1.ListEvidenceRequestsRequest) []string {
		var names []string
		for {
			answer, err := f.evidence.ListEvidenceRequests(as(t, who), req)
			if err != nil || answer.GetRevision() == "" {
				t.Fatalf("%s: %v, %v", who, answer, err)
			}
			for _, r := range answer.GetEvidenceRequests() {
				names = append(names, r.GetName())
			}
			if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
				return names
			}
		}
	}
	restarted := serveOn(t, f.store, f.clock)
	for _, server := range []*fixture{f, restarted} {
		f = server
		for who, names := range want {
			slices.Sort(names)
			for _, size := range []int32{0, 1, 2, 1000} {
				if got := list(who, &fitmentv1.ListEvidenceRequestsRequest{PageSize: size}); !slices.Equal(got, names) {
					t.Errorf("%s, %d a page: %v, want %v", who, size, got, names)
				}
			}
		}
		if got := list(admin, &fitmentv1.ListEvidenceRequestsRequest{}); len(got) > 0 {
			t.Errorf("the office, which neither asked nor was asked: %v", got)
		}
	}
	answered := list(shopA, &fitmentv1.ListEvidenceRequestsRequest{State: fitmentv1.EvidenceRequest_ANSWERED})
	open := list(shopA, &fitmentv1.ListEvidenceRequestsRequest{State: fitmentv1.EvidenceRequest_OPEN, PageSize: 1})
	if len(answered) != 1 || len(open) != 3 || slices.Contains(open, answered[0]) {
		t.Errorf("answered %v, open %v", answered, open)
	}
	if got := list(shopA, &fitmentv1.ListEvidenceRequestsRequest{Listing: "listings/south-yard.1"}); !slices.Equal(got, []string{own.GetName()}) {
		t.Errorf("about one listing: %v", got)
	}
	page, err := f.evidence.ListEvidenceRequests(as(t, shopA), &fitmentv1.ListEvidenceRequestsRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	for who, req := range map[string]*fitmentv1.ListEvidenceRequestsRequest{
		shopB: {PageToken: page.GetNextPageToken()}, shopA: {PageToken: page.GetNextPageToken(), State: fitmentv1.EvidenceRequest_OPEN},
	} {
		_, err := f.evidence.ListEvidenceRequests(as(t, who), req)
		wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	}
	_, err = f.evidence.ListEvidenceRequests(as(t, shopA), &fitmentv1.ListEvidenceRequestsRequest{Listing: "x", State: 9})
	if got := fieldsOf(err); !slices.Equal(got, []string{"listing", "state"}) {
		t.Errorf("fields %v", got)
	}
}

// follower is the reading end of a watch of evidence requests.
type follower struct {
	t     *testing.T
	recv  func() (*fitmentv1.WatchEvidenceRequestsResponse, error)
	close context.CancelFunc
}

func (f *fixture) follow(t *testing.T, who, from string) *follower {
	t.Helper()
	ctx, cancel := context.WithTimeout(withCaller(t.Context(), who), time.Minute)
	t.Cleanup(cancel)
	stream, err := f.evidence.WatchEvidenceRequests(ctx, &fitmentv1.WatchEvidenceRequestsRequest{Revision: from})
	if err != nil {
		t.Fatal(err)
	}
	return &follower{t: t, recv: stream.Recv, close: cancel}
}

func (r *follower) next() (*fitmentv1.WatchEvidenceRequestsResponse, error) { return r.recv() }

// news reads up to the message that tells the revision alone.
func (r *follower) news() (changes []*fitmentv1.EvidenceRequest, at string) {
	r.t.Helper()
	for {
		m, err := r.next()
		if err != nil {
			r.t.Fatal(err)
		}
		if m.GetEvidenceRequest() == nil {
			return changes, m.GetRevision()
		}
		changes = append(changes, m.GetEvidenceRequest())
	}
}

func TestTheShopIsTold(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	shop, yard, other := f.follow(t, shopA, ""), f.follow(t, northYard, ""), f.follow(t, shopB, "")
	for _, r := range []*follower{shop, yard, other} {
		if changes, at := r.news(); len(changes) > 0 || at == "" {
			t.Errorf("at the start: %v, %q", changes, at)
		}
	}
	asked := f.mustAsk(t, shopA)
	for name, r := range map[string]*follower{"shop": shop, "yard": yard} {
		m, err := r.next()
		if err != nil || m.GetEvidenceRequest().GetName() != asked.GetName() || m.GetEvidenceRequest().GetState() != fitmentv1.EvidenceRequest_OPEN {
			t.Errorf("the %s is told %v, %v", name, m, err)
		}
	}
	if _, err := f.reply(t, northYard, asked.GetName(), labelPhoto()); err != nil {
		t.Fatal(err)
	}
	told, err := shop.next()
	if err != nil || told.GetEvidenceRequest().GetState() != fitmentv1.EvidenceRequest_ANSWERED || told.GetEvidenceRequest().GetAnsweredVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("the shop is told %v, %v", told, err)
	}
	// Going on from there, there is nothing; from the start, the request as it is.
	if changes, _ := f.follow(t, shopA, told.GetRevision()).news(); len(changes) > 0 {
		t.Errorf("told twice: %v", changes)
	}
	if changes, _ := f.follow(t, shopA, "").news(); len(changes) != 1 || !proto.Equal(changes[0], told.GetEvidenceRequest()) {
		t.Errorf("anew: %v", changes)
	}
	if changes, _ := f.follow(t, shopB, "").news(); len(changes) > 0 {
		t.Errorf("another shop is told %v", changes)
	}
}

func TestAWatchOfRequestsRefusesForeignRevisions(t *testing.T) {
	t.Parallel()
	f, g := start(t), start(t)
	f.stock(t)
	g.stock(t)
	_, foreign := g.follow(t, shopA, "").news()
	place, err := f.store.Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	ahead := revision.Place(store.Place{Epoch: place.Epoch, Version: place.Version + 1})
	for _, from := range []string{"nonsense", foreign, ahead, revision.Digest(place)} {
		_, err := f.follow(t, shopA, from).next()
		wantReason(t, err, fitmentv1.ErrorInfo_REVISION_INVALID)
	}
	_, err = f.evidence.ListEvidenceRequests(t.Context(), &fitmentv1.ListEvidenceRequestsRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestAWatchOfRequestsEndsInGoodOrder(t *testing.T) {
	t.Parallel()
	plain := start(t)
	f := serveOn(t, plain.store, plain.clock, func(o *server.Options) { o.WatchPulse = 20 * time.Millisecond })
	r := f.follow(t, shopA, "")
	_, first := r.news()
	if m, err := r.next(); err != nil || m.GetEvidenceRequest() != nil || m.GetRevision() != first {
		t.Errorf("the pulse: %v, %v", m, err)
	}
	f.End()
	var err error
	for err == nil {
		_, err = r.next()
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("with the server it ended with %v", err)
	}
}

// TestRequestsAreToldOnce runs random histories of three shops and two yards, with
// readers that come and go, and servers that start again: every reader is told each
// change once, the last of several that it was not there for, in order, and in the
// end has what there is.
//
//nolint:paralleltest,tparallel // each history goes on where the one before it ended
func TestRequestsAreToldOnce(t *testing.T) {
	t.Parallel()
	parties := []string{shopA, shopB, northYard, "south-yard yard"}
	var whole *fixture
	for seed := range rounds(25, 1000) {
		if seed%25 == 0 { // what histories leave must not slow down those after them
			whole = start(t)
			whole.stock(t)
		}
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Helper()
			h := &history{
				fixture: serveOn(t, whole.store, whole.clock), t: t, random: rand.New(rand.NewPCG(uint64(seed), 2)),
				at: map[string]string{}, has: map[string]map[string]string{},
			}
			for _, who := range parties {
				h.begin(who)
			}
			for range 4 + h.random.IntN(12) {
				switch what := pick(h, "ask", "ask", "answer", "decline", "withdraw", "read", "read", "restart"); what {
				case "read":
					h.read(pick(h, parties...))
				case "restart":
					h.fixture = serveOn(t, whole.store, whole.clock)
				default:
					h.happen(what)
				}
			}
			for _, who := range parties {
				h.read(who)
				h.demandAll(who)
			}
			for len(h.open) > 0 {
				h.happen("withdraw")
			}
		})
	}
}

// pick draws one.
func pick[T any](h *history, from ...T) T { return from[h.random.IntN(len(from))] }

// history is what each reader has been told: the etag of each request.
type history struct {
	*fixture

	t      *testing.T
	random *rand.Rand
	at     map[string]string
	has    map[string]map[string]string
	// open are the open requests.
	open []string
}

// begin begins where earlier histories on the same store have ended.
func (h *history) begin(who string) {
	h.t.Helper()
	place, err := h.store.Place(h.t.Context())
	if err != nil {
		h.t.Fatal(err)
	}
	h.at[who], h.has[who] = revision.Place(place), h.there(who)
}

func (h *history) happen(what string) {
	h.t.Helper()
	if what == "ask" {
		who := pick(h, shopA, shopB, "south-yard yard")
		h.open = append(h.open, h.mustAsk(h.t, who).GetName())
		return
	}
	if len(h.open) == 0 {
		return
	}
	i := h.random.IntN(len(h.open))
	name := h.open[i]
	h.open = slices.Delete(h.open, i, i+1)
	var err error
	switch what {
	case "answer":
		_, err = h.reply(h.t, northYard, name, labelPhoto())
	case "decline":
		_, err = h.evidence.DeclineEvidenceRequest(as(h.t, northYard), &fitmentv1.DeclineEvidenceRequestRequest{Name: name, RequestId: newID()})
	default:
		_, err = h.evidence.WithdrawEvidenceRequest(as(h.t, admin), &fitmentv1.WithdrawEvidenceRequestRequest{Name: name, RequestId: newID()})
	}
	if err != nil {
		h.t.Fatalf("%s %s: %v", what, name, err)
	}
	if what == "answer" {
		if err := h.restore(h.t); err != nil { // so that there is something to ask for
			h.t.Fatal(err)
		}
	}
}

// read reads for a while, breaks off somewhere, and goes on from there.
func (h *history) read(who string) {
	h.t.Helper()
	for range 2 {
		r := h.follow(h.t, who, h.at[who])
		most := pick(h, 1, 2, 1000)
		for range most { // before the line breaks
			m, err := r.next()
			if err != nil {
				h.t.Fatal(err)
			}
			h.at[who] = m.GetRevision()
			q := m.GetEvidenceRequest()
			if q == nil {
				break
			}
			if h.has[who][q.GetName()] == q.GetEtag() {
				h.t.Fatalf("%s is told of %s twice", who, q.GetName())
			}
			h.has[who][q.GetName()] = q.GetEtag()
		}
		r.close()
	}
	r := h.follow(h.t, who, h.at[who])
	changes, at := r.news()
	r.close()
	h.at[who] = at
	for _, q := range changes {
		if h.has[who][q.GetName()] == q.GetEtag() {
			h.t.Fatalf("%s is told of %s twice", who, q.GetName())
		}
		h.has[who][q.GetName()] = q.GetEtag()
	}
}

// demandAll compares what a reader was told with what there is.
func (h *history) demandAll(who string) {
	h.t.Helper()
	want := h.there(who)
	if !maps.Equal(want, h.has[who]) {
		h.t.Fatalf("%s (-there is +told):\n%s", who, cmp.Diff(want, h.has[who]))
	}
}

// there is the etag of each request that a business asked or was asked.
func (h *history) there(who string) map[string]string {
	h.t.Helper()
	answer, err := h.evidence.ListEvidenceRequests(as(h.t, who), &fitmentv1.ListEvidenceRequestsRequest{PageSize: 1000})
	if err != nil || answer.GetNextPageToken() != "" {
		h.t.Fatalf("all in one page: %v, %v", answer.GetNextPageToken(), err)
	}
	all := map[string]string{}
	for _, q := range answer.GetEvidenceRequests() {
		all[q.GetName()] = q.GetEtag()
	}
	return all
}
