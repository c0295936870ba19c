package tenants_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"log/slog"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	fitmentapp "beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/serve"
	quoteapp "beltwright.example/services/quote/app"
	"beltwright.example/services/store"
	"beltwright.example/services/store/storetest"
	"beltwright.example/testdata/demo"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The businesses of a world. Alder and birch sit at every desk; what is looked for is
// alder's, in what is answered to birch. Cedar buys from both.
const (
	operator = "operator"
	alder    = "alder"
	birch    = "birch"
	cedar    = "cedar"
	yard     = "kettlewick"
)

// day is the day of the world.
const day = "2026-11-25"

// secret is what a person signs in with.
const secret = "seven green kettles on a shelf"

// build says what a world is like.
type build struct {
	// bare leaves out everything of alder's that is alder's alone. What others see of
	// alder, such as its listings, and what is held of others', is the same; but who
	// holds, buys and sends back is another business, since nobody else is to know.
	bare bool
	// lean makes one quote only, and nothing of what follows from quotes.
	lean bool
	// bought are, for a bare world, the listings that alder's quotes hold and bought
	// in the other one.
	bought []holding
	// policy, verifier and service are what a control alters; nil for nothing.
	policy   policy.Table
	verifier func(auth.Verifier) auth.Verifier
	service  func(serve.Service, store.Store) serve.Service
}

// holding is a listing that one of alder's quotes held, and whether it was bought.
type holding struct {
	name string
	sold bool
}

// world is a whole deployment in one process.
type world struct {
	t     *testing.T
	clock *storetest.Clock
	store store.Store
	// quotes is the quote side's store.
	quotes store.Store
	conn   *grpc.ClientConn
	web    *httptest.Server
	build  build

	operator, expired string
	// keys are each business's key for every desk it has.
	keys map[string]string
	// things are what a business has, by business.
	things map[string]*things
	bought []holding
	// vins are those of alder's stock.
	vins []string
	ids  int
}

// newWorld starts a deployment and fills it.
func newWorld(t *testing.T, b build) *world {
	t.Helper()
	w := &world{
		t: t, clock: storetest.NewClock(time.Date(2026, time.November, 24, 8, 0, 0, 0, time.UTC)), build: b,
		keys: map[string]string{}, things: map[string]*things{},
	}
	w.start(quickDir(t))
	for _, business := range []string{alder, birch, cedar, yard} {
		w.admit(business)
	}
	w.expired = w.newKey(alder, 1, "yard", "shop", "books", "admin")
	w.clock.Advance(25 * time.Hour)
	w.catalogue()
	for _, business := range []string{alder, birch, yard} {
		w.list(business)
	}
	w.seed(birch)
	w.seed(alder)
	if !b.bare {
		w.apart()
	}
	return w
}

// apart demands that no two businesses' things have one name: who asks for another's
// would get his own.
func (w *world) apart() {
	w.t.Helper()
	theirs := w.things[birch].names()
	for i, name := range w.things[alder].names() {
		if !w.build.lean && name == "" || name != "" && name == theirs[i] {
			w.t.Fatalf("alder's %q is called %q at birch", name, theirs[i])
		}
	}
}

// names are what the things are called.
func (x *things) names() []string {
	return []string{
		x.need, x.deleted, x.decision, x.asked, x.withdrawn, x.toAnswer, x.toDecline, x.attachment, x.held, x.sold, x.bought, x.back,
		x.quote, x.draft, x.revised, x.accepted, x.declined, x.entry, x.repair, x.person, x.session, x.key,
	}
}

// numbered lets a business's numbers of quotes, repair orders and credit notes go on
// from a higher one, as after years: each business counts from 1 by itself.
func (w *world) numbered(business string, last int) {
	w.t.Helper()
	var change store.Change
	for _, kind := range []string{"quote-number", "repair-order-number", "credit-note-number"} {
		change.Puts = append(change.Puts, store.Put{Key: store.Key{Tenant: business, Kind: kind, ID: day[:4]}, Expect: store.Absent, Value: fmt.Append(nil, last)})
	}
	if applied, err := w.quotes.Apply(w.t.Context(), change); err != nil || applied[0].Err != nil {
		w.t.Fatal(applied, err)
	}
}

// quickDir is a folder in memory, where there is one: nothing here needs to outlive
// the machine, and a world writes hundreds of records.
func quickDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "tenants-") //nolint:usetesting // t.TempDir is on a disk
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// start runs both sides and the gateway until the test ends.
func (w *world) start(dir string) {
	t := w.t
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	fitment, err := fitmentapp.Open(t.Context(), fitmentapp.Config{
		Data: filepath.Join(dir, "fitment"), Now: w.clock.Now, Log: log,
		First: []keys.First{{Tenant: operator, Roles: identity.Desks(), Tell: func(text string) error { w.operator = text; return nil }}},
	})
	if err != nil {
		t.Fatal(err)
	}
	w.store = fitment.Store
	verifier := fitment.Verifier
	if w.build.verifier != nil {
		verifier = w.build.verifier(verifier)
	}
	memory := serve.NewMemory()
	if w.conn, err = memory.Dial(grpc.WithDisableHealthCheck()); err != nil {
		t.Fatal(err)
	}
	quote, err := quoteapp.Open(t.Context(), quoteapp.Config{
		Data: filepath.Join(dir, "quote"), Fitment: w.conn, Verifier: verifier, Now: w.clock.Now, Log: log,
	})
	if err != nil {
		t.Fatal(err)
	}
	w.quotes = quote.Store
	services := append(slices.Clone(fitment.Services), quote.Services...)
	if w.build.service != nil {
		for i := range services {
			services[i] = w.build.service(services[i], fitment.Store)
		}
	}
	server, err := serve.New(serve.Config{Policy: w.build.policy}, verifier, log, services...)
	if err != nil {
		t.Fatal(err)
	}
	handler, err := rest.New(rest.Options{Fitment: w.conn, Quote: w.conn, Verifier: verifier, Policy: w.build.policy, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	w.web = httptest.NewServer(handler)
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- server.Serve(ctx, memory) }()
	t.Cleanup(func() {
		handler.End()
		w.web.Client().CloseIdleConnections()
		w.web.Close()
		if err := w.conn.Close(); err != nil {
			t.Error(err)
		}
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
		for _, err := range []error{quote.Close(), fitment.Close()} {
			if err != nil {
				t.Error(err)
			}
		}
	})
	w.must(w.operator, "IdentityService/VerifyCredential", &fitmentv1.VerifyCredentialRequest{})
}

// id is the next request id, the same in every world.
func (w *world) id() string {
	w.ids++
	return requests.Derive("4c8a4a2e-35f5-4b62-a7b6-2b8a3c0d9b11", fmt.Sprint(w.ids))
}

// must makes a call that has to succeed and returns the first answer.
func (w *world) must(key, method string, messages ...proto.Message) proto.Message {
	w.t.Helper()
	got := w.call(bearer(key), method, messages...)
	if got.status.Code() != codes.OK || len(got.answers) == 0 {
		w.t.Fatalf("%s: %v, %d answers", method, got.status, len(got.answers))
	}
	return got.answers[0]
}

func file(options proto.Message, chunk proto.Message) []proto.Message {
	return []proto.Message{options, chunk}
}

// catalogue loads what all decisions stand on.
func (w *world) catalogue() {
	w.t.Helper()
	part := func(name string) []byte { return w.demo(name) }
	for method, messages := range map[string][]proto.Message{
		"CatalogueService/ImportParts": file(
			&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
			&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: part("parts.csv")}}),
		"CatalogueService/ImportRecalls": file(
			&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
			&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Chunk{Chunk: part("recalls.csv")}}),
	} {
		w.must(w.operator, method, messages...)
	}
}

func (w *world) demo(name string) []byte {
	w.t.Helper()
	raw, err := demo.File(name, w.clock.Now())
	if err != nil {
		w.t.Fatal(err)
	}
	return raw
}

// admit makes a business that has every desk, with a key for all of them.
func (w *world) admit(business string) {
	w.t.Helper()
	var desks []string
	for _, desk := range identity.Desks() {
		desks = append(desks, string(desk))
	}
	w.must(w.operator, "IdentityService/CreateBusiness", &fitmentv1.CreateBusinessRequest{
		Business: &fitmentv1.Business{Id: business, DisplayName: canary(business, "name"), Roles: desks}, RequestId: w.id(),
	})
	w.keys[business] = w.newKey(business, 0, desks...)
}

// newKey makes a key of a business's for so many days, 0 for as long as they are.
func (w *world) newKey(business string, days int32, desks ...string) string {
	w.t.Helper()
	made := w.must(w.operator, "IdentityService/CreateKey", &fitmentv1.CreateKeyRequest{
		Key: &fitmentv1.Key{Business: business, Label: canary(business, "label"), Roles: desks}, Days: days, RequestId: w.id(),
	}).(*fitmentv1.CreateKeyResponse)
	return made.GetText()
}

// list fills a business's stock: listings that fit the need, each of another vehicle.
func (w *world) list(business string) {
	w.t.Helper()
	w.must(w.keys[business], "ListingService/ImportListings", file(
		&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Chunk{Chunk: []byte(w.stock(business))}})...)
}

// stocked is how many listings a business has at first. The yard has further ones for
// less: quotes choose those.
const (
	stocked = 9
	cheap   = 14
)

// stock is a file of listings like one of the demo's that fits. Each has a VIN of its
// own, and what it cost.
func (w *world) stock(business string) string {
	w.t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(w.demo("listings-kettlewick.csv"))).ReadAll()
	if err != nil {
		w.t.Fatal(err)
	}
	at := slices.IndexFunc(rows, func(row []string) bool { return row[0] == "SOLANE-1" })
	vinAt, priceAt := slices.Index(rows[0], "donor_vin"), slices.Index(rows[0], "price")
	var out strings.Builder
	to := csv.NewWriter(&out)
	_ = to.Write(append(rows[0], "cost", "cost_note"))
	count := stocked
	if business == yard {
		count += cheap
	}
	for i := range count {
		row := slices.Clone(rows[at])
		if i < stocked {
			row[priceAt] = "300.00"
		}
		row[0], row[vinAt] = fmt.Sprintf("L%d", i), vinLike(row[vinAt], vinStart(business)+i)
		if business == alder {
			w.vins = append(w.vins, row[vinAt])
		}
		_ = to.Write(append(row, "41.00", canary(business, "cost")))
	}
	to.Flush()
	return out.String()
}

// vinStart is where the serial numbers of a business's vehicles begin.
func vinStart(business string) int {
	return 100_000 * (1 + slices.Index([]string{alder, birch, yard}, business))
}

// vinLike is the nth VIN that differs from another in its serial number only, and has
// a right check digit all the same (49 CFR 565.15 c: a weighted sum modulo 11; the
// last six places weigh 7 to 2).
func vinLike(vin string, nth int) string {
	sum := func(serial string) int {
		total := 0
		for i, digit := range serial {
			total += int(digit-'0') * (7 - i)
		}
		return total % 11
	}
	base, want := vin[:11], sum(vin[11:])
	found := nth - nth%100_000
	for left := nth % 100_000; ; found++ {
		if sum(fmt.Sprintf("%06d", found)) != want {
			continue
		}
		if left == 0 {
			return base + fmt.Sprintf("%06d", found)
		}
		left--
	}
}

// canary is a text of a business's that stands nowhere else.
func canary(business, what string) string {
	return mark(business) + "-" + what
}

// mark begins every canary of a business.
func mark(business string) string { return "zq" + business + "7" }

// need is what the stocked listings fit.
func need(vin string) *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Vin: vin, Make: "Tarvena", Model: "Solane", ModelYear: 2006, DriveSide: fitmentv1.Vehicle_LEFT, Body: "saloon"},
		Kind:    fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, Jurisdiction: "US-WA",
	}
}

// things are the records of a business that the requests of the test are about. Where
// a world is bare, their names are those that they would have.
type things struct {
	// speaker is whose words the requests use: the business's own, or those of who
	// pretends to be it.
	speaker                                          string
	business, customerVIN                            string
	need, deleted, decision                          string
	asked, withdrawn, toAnswer, toDecline            string
	attachment                                       string
	held, sold, bought, back                         string
	heldFence, soldFence                             int64
	quote, draft, revised, accepted, declined, entry string
	repair, repairEtag                               string
	person, personEtag, session, key                 string
	credential, other                                string
	etags                                            map[string]string
}

// as are the same things, asked for by somebody else.
func (x *things) as(speaker string) *things {
	other := *x
	other.speaker = speaker
	return &other
}

// seed gives a business one record of everything.
func (w *world) seed(business string) {
	w.t.Helper()
	x := &things{speaker: business, business: business, customerVIN: "5ZTSSB4K8" + strings.ToUpper(business[:1]) + "A77" + fmt.Sprint(len(business)) + "311", etags: map[string]string{}}
	w.things[business] = x
	offset := 0
	if business == birch {
		offset = stocked / 2
	}
	at := func(n int) string { return fmt.Sprintf("listings/%s.L%d", yard, offset+n) }
	w.seedTrade(x, at)
	w.seedFitment(x, at(0))
	w.seedQuotes(x)
	w.seedPeople(x)
}

// alone tells whether a call that only its business knows of is to be made.
func (w *world) alone(x *things) bool { return !w.build.bare || x.business != alder }

// quietly makes a call that only its business knows of; in a bare world it only takes
// the request ids.
func (w *world) quietly(x *things, method string, messages ...proto.Message) proto.Message {
	w.t.Helper()
	if !w.alone(x) {
		return nil
	}
	return w.must(w.keys[x.business], method, messages...)
}

func (w *world) hold(key, name string) int64 {
	w.t.Helper()
	held := w.must(key, "ListingService/HoldListing", &fitmentv1.HoldListingRequest{Name: name, Minutes: 40_000, RequestId: w.id()}).(*fitmentv1.HoldListingResponse)
	return held.GetListing().GetHold().GetFence()
}

func (w *world) buy(key, name string) {
	w.t.Helper()
	fence := w.hold(key, name)
	w.must(key, "ListingService/SellListing", &fitmentv1.SellListingRequest{Name: name, Fence: fence, Need: need(""), RequestId: w.id()})
}

// seedTrade holds, buys and sends back, which everybody sees; but not who does it.
func (w *world) seedTrade(x *things, at func(int) string) {
	w.t.Helper()
	own, buyer := w.keys[x.business], w.keys[cedar]
	holder := own
	if !w.alone(x) {
		holder, buyer = w.keys[cedar], w.keys[yard]
	}
	x.held, x.sold, x.bought = at(1), at(2), at(3)
	x.heldFence, x.soldFence = w.hold(holder, x.held), w.hold(holder, x.sold)
	w.buy(holder, x.bought)
	mine := "listings/" + x.business + ".L4"
	w.buy(buyer, mine)
	back := w.must(buyer, "ListingService/ReturnListing", &fitmentv1.ReturnListingRequest{
		Name: mine, Report: &fitmentv1.ReturnReport{FailedChecks: []string{"The label can be read."}}, RequestId: w.id(),
		Evidence: []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_LABEL_LEGIBLE, Value: "no"}},
	}).(*fitmentv1.ReturnListingResponse)
	x.back = back.GetListing().GetName()
	for _, name := range []string{x.back, "listings/" + x.business + ".L1", "listings/" + x.business + ".L2"} {
		got := w.must(own, "ListingService/GetListing", &fitmentv1.GetListingRequest{Name: name}).(*fitmentv1.GetListingResponse)
		x.etags[name] = got.GetListing().GetEtag()
	}
}

var picture = []byte("\x89PNG\r\n\x1a\n" + strings.Repeat("\x00", 600))

// seedFitment keeps needs and decisions, asks yards and is asked.
func (w *world) seedFitment(x *things, elsewhere string) {
	w.t.Helper()
	words := func(what string) string { return canary(x.business, what) }
	ids := []string{w.id(), w.id(), w.id(), w.id(), w.id(), w.id(), w.id()}
	named := func(prefix, kind, id string) string { return prefix + requests.Derive(strings.ToLower(id), kind) }
	x.need, x.deleted, x.decision = named("needs/", "need", ids[0]), named("needs/", "need", ids[1]), named("decisions/", "decision", ids[2])
	for _, id := range ids[:2] {
		w.quietly(x, "FitmentService/SaveNeed", &fitmentv1.SaveNeedRequest{Need: need(x.customerVIN), Note: words("note"), RequestId: id})
	}
	w.quietly(x, "FitmentService/KeepDecision", &fitmentv1.KeepDecisionRequest{Need: need(x.customerVIN), ListingName: elsewhere, RequestId: ids[2]})
	inquiry := func(business, of, id string) string {
		yardOf, _, _ := strings.Cut(of, ".")
		return "evidenceRequests/" + strings.TrimPrefix(yardOf, "listings/") + "." + requests.Derive(strings.ToLower(id), "evidence-request\x00"+business)
	}
	ask := func(of, id string) proto.Message {
		return &fitmentv1.RequestEvidenceRequest{
			Listing: of, Need: need(x.customerVIN), Attributes: []fitmentv1.Evidence_Attribute{fitmentv1.Evidence_PART_NUMBER}, Text: words("question"), RequestId: id,
		}
	}
	mine := "listings/" + x.business + ".L0"
	x.asked, x.withdrawn = inquiry(x.business, elsewhere, ids[3]), inquiry(x.business, elsewhere, ids[4])
	x.toAnswer, x.toDecline = inquiry(cedar, mine, ids[5]), inquiry(cedar, mine, ids[6])
	w.quietly(x, "EvidenceService/RequestEvidence", ask(elsewhere, ids[3]))
	w.quietly(x, "EvidenceService/RequestEvidence", ask(elsewhere, ids[4]))
	for _, id := range ids[5:] {
		if w.alone(x) {
			w.must(w.keys[cedar], "EvidenceService/RequestEvidence", ask(mine, id))
		}
	}
	content := append(slices.Clone(picture), words("picture")...)
	x.attachment = "attachments/" + x.business + "." + sumOf(content)
	w.quietly(x, "EvidenceService/UploadAttachment", uploading(content)...)
}

// seedQuotes quotes, buys and books.
func (w *world) seedQuotes(x *things) {
	w.t.Helper()
	words := func(what string) string { return canary(x.business, what) }
	if x.business == alder {
		w.numbered(alder, 700)
	}
	w.quietly(x, "OfferService/ImportOffers", offers(words("supplier"), words("item"))...)
	prepare := func(draft bool) string {
		request := w.preparing(x, draft)
		answer := w.quietly(x, "QuoteService/PrepareQuote", request)
		if answer == nil {
			return ""
		}
		quote := answer.(*quotev1.PrepareQuoteResponse).GetQuote()
		if x.business == alder && !draft {
			w.bought = append(w.bought, holding{name: quote.GetHeldListing()})
		}
		return quote.GetName()
	}
	x.quote = prepare(false)
	if w.build.lean {
		if !w.alone(x) {
			w.seen()
		}
		return
	}
	x.revised, x.accepted, x.declined, x.draft = prepare(false), prepare(false), prepare(false), prepare(true)
	sold := prepare(false)
	accept := w.accepting(sold)
	if answer := w.quietly(x, "QuoteService/AcceptQuote", accept); answer != nil && x.business == alder {
		w.bought[len(w.bought)-1].sold = true
	}
	entry := &quotev1.Entry{Kind: quotev1.Entry_RECEIVED, Quote: sold, Amount: 9_000, CurrencyCode: "USD", Day: day, Note: words("entry")}
	w.quietly(x, "BooksService/RecordEntry", &quotev1.RecordEntryRequest{Entry: entry, RequestId: w.id()})
	note := &quotev1.Entry{Kind: quotev1.Entry_CREDIT_NOTE, Quote: sold, Amount: 100, CurrencyCode: "USD", Day: day, Note: words("credit")}
	if booked := w.quietly(x, "BooksService/RecordEntry", &quotev1.RecordEntryRequest{Entry: note, RequestId: w.id()}); booked != nil {
		x.entry = booked.(*quotev1.RecordEntryResponse).GetEntry().GetName()
	}
	w.quietly(x, "RepairService/RecordOutcome", &quotev1.RecordOutcomeRequest{Outcome: &quotev1.Outcome{
		Source: "listings/" + yard + ".past-1", Seller: yard, Condition: quotev1.Offer_USED, Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
		Result: quotev1.Outcome_FAILED, Note: words("outcome"),
	}, RequestId: w.id()})
	if opened := w.quietly(x, "RepairService/CreateRepairOrder", w.opening(x)); opened != nil {
		order := opened.(*quotev1.CreateRepairOrderResponse).GetRepairOrder()
		x.repair, x.repairEtag = order.GetName(), order.GetEtag()
	}
	if !w.alone(x) {
		w.seen()
	}
}

// seen does in a bare world what others saw of alder's quotes.
func (w *world) seen() {
	w.t.Helper()
	for _, one := range w.build.bought {
		fence := w.hold(w.keys[cedar], one.name)
		if one.sold {
			w.must(w.keys[cedar], "ListingService/SellListing", &fitmentv1.SellListingRequest{Name: one.name, Fence: fence, Need: need(""), RequestId: w.id()})
		}
	}
}

func (w *world) preparing(x *things, draft bool) *quotev1.PrepareQuoteRequest {
	return &quotev1.PrepareQuoteRequest{
		Need: need(x.customerVIN), CurrencyCode: "USD", Reference: canary(x.speaker, "reference"), Customer: canary(x.speaker, "customer"),
		ValidHours: 700, Draft: draft, RequestId: w.id(),
	}
}

func (w *world) accepting(name string) *quotev1.AcceptQuoteRequest {
	return &quotev1.AcceptQuoteRequest{Name: name, RequestId: w.id(), Authorization: authorization(w.clock.Now())}
}

func (w *world) opening(x *things) *quotev1.CreateRepairOrderRequest {
	return &quotev1.CreateRepairOrderRequest{
		Vehicle: need(x.customerVIN).GetVehicle(), Customer: canary(x.speaker, "customer"), Complaint: canary(x.speaker, "complaint"), RequestId: w.id(),
	}
}

// seedPeople adds people: one whose session is used, one who signs in, one who is
// changed and one whose session is ended.
func (w *world) seedPeople(x *things) {
	w.t.Helper()
	if !w.alone(x) {
		return
	}
	for _, id := range []string{"pat", "sam", "kim", "lee"} {
		made := w.must(w.keys[x.business], "IdentityService/CreatePerson", w.adding(x, id)).(*fitmentv1.CreatePersonResponse)
		x.person, x.personEtag = made.GetPerson().GetName(), made.GetPerson().GetEtag()
		if id == "lee" || id == "pat" {
			in := w.must("", "IdentityService/SignIn", &fitmentv1.SignInRequest{Login: id + "@" + x.business, Password: secret}).(*fitmentv1.SignInResponse)
			x.session = in.GetSession().GetName()
			x.credential, x.other = in.GetCredential(), x.credential
		}
	}
	got := w.must(w.keys[x.business], "IdentityService/ListPeople", &fitmentv1.ListPeopleRequest{}).(*fitmentv1.ListPeopleResponse)
	for _, person := range got.GetPeople() {
		if person.GetId() == "kim" {
			x.person, x.personEtag = person.GetName(), person.GetEtag()
		}
	}
	made := w.must(w.keys[x.business], "IdentityService/CreateKey", &fitmentv1.CreateKeyRequest{
		Key: &fitmentv1.Key{Label: canary(x.speaker, "second"), Roles: []string{"shop"}}, RequestId: w.id(),
	}).(*fitmentv1.CreateKeyResponse)
	x.key = made.GetKey().GetName()
}

func (w *world) adding(x *things, id string) *fitmentv1.CreatePersonRequest {
	return &fitmentv1.CreatePersonRequest{
		Person:   &fitmentv1.Person{Id: id, DisplayName: canary(x.speaker, "person"), Roles: []string{"yard", "shop", "books", "admin"}},
		Password: secret, RequestId: w.id(),
	}
}
