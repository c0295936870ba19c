package cli_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/cobra"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// server answers any unary method with what it was told to, and notes what it
// was asked.
type server struct {
	address string
	answer  proto.Message
	err     error

	mu    sync.Mutex
	asked proto.Message
	key   []string
}

func start(t *testing.T, answer proto.Message, err error, more ...func(*grpc.Server)) *server {
	t.Helper()
	s := &server{answer: answer, err: err}
	listener, lerr := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if lerr != nil {
		t.Fatal(lerr)
	}
	s.address = listener.Addr().String()
	g := grpc.NewServer(grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error { return s.handle(stream) }))
	healthpb.RegisterHealthServer(g, health.NewServer())
	for _, register := range more {
		register(g)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = g.Serve(listener)
	}()
	t.Cleanup(func() {
		g.Stop()
		<-done
	})
	return s
}

func (s *server) handle(stream grpc.ServerStream) error {
	method, _ := grpc.MethodFromServerStream(stream)
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(method, "/"), "/", ".")))
	if err != nil {
		return err
	}
	kind, err := protoregistry.GlobalTypes.FindMessageByName(found.(protoreflect.MethodDescriptor).Input().FullName())
	if err != nil {
		return err
	}
	request := kind.New().Interface()
	if err := stream.RecvMsg(request); err != nil {
		return err
	}
	md, _ := metadata.FromIncomingContext(stream.Context())
	s.mu.Lock()
	s.asked, s.key = request, md.Get("authorization")
	s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	return stream.SendMsg(s.answer)
}

// run runs a command line and returns what it left behind.
func run(t *testing.T, stdin string, args ...string) (code int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = cli.Main(t.Context(), args, cli.Streams{In: strings.NewReader(stdin), Out: &stdout, Err: &stderr})
	return code, stdout.String(), stderr.String()
}

// to adds what every client command needs.
func (s *server) to(args ...string) []string {
	return append(args, "--server", s.address, "--key", "the-key")
}

// commands walks all commands that people see.
func commands(visit func(*cobra.Command)) {
	var walk func(*cobra.Command)
	walk = func(cmd *cobra.Command) {
		visit(cmd)
		for _, child := range cmd.Commands() {
			if !child.Hidden && child.Name() != "help" {
				walk(child)
			}
		}
	}
	walk(cli.Root(cli.Streams{}))
}

func TestEveryCommandExplainsItself(t *testing.T) {
	t.Parallel()
	var paths []string
	commands(func(cmd *cobra.Command) {
		paths = append(paths, cmd.CommandPath())
		if cmd.Short == "" || cmd.Long == "" || cmd.Example == "" {
			t.Errorf("%s lacks Short, Long or Example", cmd.CommandPath())
		}
		if cmd.RunE == nil {
			t.Errorf("%s does nothing", cmd.CommandPath())
		}
	})
	for _, want := range []string{
		"beltwright serve", "beltwright gateway", "beltwright decode", "beltwright assess", "beltwright import listings",
		"beltwright import parts", "beltwright import supersessions", "beltwright import recalls", "beltwright import offers", "beltwright import vehicle-data",
		"beltwright donors", "beltwright decide", "beltwright listing hold", "beltwright quote accept", "beltwright quote decline", "beltwright quote issue", "beltwright quote revise", "beltwright quote show",
		"beltwright explain", "beltwright need save", "beltwright need watch", "beltwright decision keep", "beltwright decision recompute",
		"beltwright evidence ask", "beltwright evidence answer", "beltwright evidence watch", "beltwright attachment put", "beltwright attachment get",
		"beltwright catalogue part", "beltwright catalogue parts", "beltwright catalogue vehicle-data", "beltwright parts", "beltwright dialects", "beltwright jurisdictions", "beltwright plan", "beltwright tax", "beltwright consignment", "beltwright outcome record", "beltwright books record", "beltwright books reverse", "beltwright books sum", "beltwright books cores", "beltwright books ledger", "beltwright books credit-note give", "beltwright store check", "beltwright store restore",
	} {
		if !strings.Contains(strings.Join(paths, "\n")+"\n", want+"\n") {
			t.Errorf("there is no %s", want)
		}
	}
}

// TestExamplesAreCommandLines: what help shows must name commands and flags
// that exist.
func TestExamplesAreCommandLines(t *testing.T) {
	t.Parallel()
	commands(func(cmd *cobra.Command) {
		whole := strings.ReplaceAll(cmd.Example, "\\\n", " ")
		for line := range strings.Lines(whole) {
			_, text, ok := strings.Cut(line, "beltwright ")
			if !ok {
				continue // a line of a file that is piped in
			}
			shown, rest, err := cli.Root(cli.Streams{}).Find(words(text))
			if err != nil || shown.Parent() == nil {
				t.Errorf("%s: the example %q names no command: %v", cmd.CommandPath(), line, err)
				continue
			}
			if err := shown.ParseFlags(rest); err != nil {
				t.Errorf("%s: the example %q: %v", cmd.CommandPath(), line, err)
			}
			if err := shown.ValidateArgs(shown.Flags().Args()); err != nil {
				t.Errorf("%s: the example %q: %v", cmd.CommandPath(), line, err)
			}
		}
	})
}

// words splits a command line as a shell would, as far as examples go.
func words(line string) []string {
	var all []string
	var word strings.Builder
	var quote rune
	for _, r := range line {
		switch {
		case quote == 0 && (r == '"' || r == '\''):
			quote = r
		case r == quote:
			quote = 0
		case quote == 0 && (r == ' ' || r == '\n'):
			if word.Len() > 0 {
				all = append(all, word.String())
			}
			word.Reset()
		default:
			word.WriteRune(r)
		}
	}
	if word.Len() > 0 {
		all = append(all, word.String())
	}
	return all
}

func TestNoArgumentShowsHelpAndHelpIsStable(t *testing.T) {
	t.Parallel()
	code, out, errs := run(t, "")
	if code != cli.ExitOK || !strings.Contains(out, "Usage:") || !strings.Contains(out, "donors") || errs != "" {
		t.Errorf("%d %s %s", code, out, errs)
	}
	commands(func(cmd *cobra.Command) {
		args := slices.Concat(strings.Fields(cmd.CommandPath())[1:], []string{"--help"})
		code, first, errs := run(t, "", args...)
		if _, second, _ := run(t, "", args...); code != cli.ExitOK || first != second || errs != "" {
			t.Errorf("%v: exit %d, %s, or help that differs from run to run", args, code, errs)
		}
	})
}

var need = []string{
	"--make", "Tarvena", "--model", "Solane", "--year", "2006", "--drive-side", "left", "--body", "saloon", "--market", "us",
	"--kind", "buckle-pretensioner", "--row", "1", "--side", "Right",
}

func theNeed() *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{
			Make: "Tarvena", Model: "Solane", ModelYear: 2006, DriveSide: fitmentv1.Vehicle_LEFT, Body: "saloon", Market: "US",
		},
		Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
	}
}

const id = "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"

// clientCase is one client command: what it asks, and what people read.
type clientCase struct {
	args   []string
	stdin  string
	asks   proto.Message
	answer proto.Message
	shows  []string
}

func clientCases() map[string]clientCase {
	p := proto.Float64
	held := &fitmentv1.Listing{
		Name: "listings/k.1", State: fitmentv1.Listing_HELD, Kind: fitmentv1.Part_PIGTAIL, PartNumber: "KR-1", Price: 18000, CurrencyCode: "USD",
		Hold: &fitmentv1.Hold{Holder: "shop", Fence: 7}, Etag: "e1",
	}
	plan := &quotev1.PlanPurchaseResponse{
		Order: []string{"B", "A"}, ExpectedCost: 23962, ExpectedDays: 6.666, Quantile95: 34000, Cvar95: 37240, Words: "buy B; otherwise A",
		Distribution: []*quotev1.PlanOutcome{{Cost: 17000, Days: 5, Probability: .6}}, UnrepairedProbability: .0018,
	}
	quote := &quotev1.Quote{
		Name: "quotes/q1", Number: "Q-1", State: quotev1.Quote_OPEN, CurrencyCode: "USD", Plan: plan,
		Options:  []*quotev1.Option{{Source: "listings/k.1", Condition: quotev1.Offer_USED, Price: 18000, LandedCost: 23500, PassProbability: .85, PlanPlace: 1}},
		Excluded: []*quotev1.ExcludedOption{{Source: "listings/k.2", Reason: "not proven", Remedy: "label photo"}},
		Notices:  []string{"Dispose of the old part by the rules."},
	}
	saved := &fitmentv1.SavedNeed{Name: "needs/n1", Need: theNeed(), Note: "RO 7"}
	kept := &fitmentv1.KeptDecision{Name: "decisions/d1", Need: theNeed(), Listing: held, Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS}}
	return map[string]clientCase{
		"decode": {
			args: []string{"decode", "1M8GDM9AXKP042788", "--market", "us", "--class", "heavy-vehicle", "--make", "Tarvena"},
			asks: &fitmentv1.DecodeVinRequest{Vin: "1M8GDM9AXKP042788", Market: "US", VehicleClass: fitmentv1.Vehicle_HEAVY_VEHICLE, Make: "Tarvena"},
			answer: &fitmentv1.DecodeVinResponse{
				Vin: "1M8GDM9AXKP042788", Valid: true, ModelYears: []int32{1989, 2019}, Notes: []string{"A note."},
				CheckDigit: &fitmentv1.CheckDigit{Expected: "X", Actual: "X", Applies: fitmentv1.Finding_YES},
			},
			shows: []string{"1M8GDM9AXKP042788 is valid", "1989 or 2019", "- A note."},
		},
		"assess": {
			args: []string{
				"assess", "--make", "Tarvena", "--year", "2006", "--code", "B0058", "--code", "B0059-1A", "--choice", "B0058=x",
				"--window", "low=1.5,high=3,source=service data",
				"--reading", "kind=buckle-pretensioner,row=1,side=right,method=meter-at-component,ohms=17e6,percent=0.9,counts=2,resolution=0.1,lead=0.2,clip=out,battery-off=12",
				"--reading", "kind=CLOCK_SPRING,method=module-reported,over-range=yes,display-limit=10,stage=2",
				"--dialect", "legacy-a", "--test", "kind=buckle-pretensioner,row=1,side=right,method=substitute-load,before=open-or-high,after=no-code",
			},
			asks: &fitmentv1.AssessFaultRequest{
				Vehicle: &fitmentv1.Vehicle{Make: "Tarvena", ModelYear: 2006}, Codes: []string{"B0058", "B0059-1A"},
				CodeChoices: []*fitmentv1.CodeChoice{{Code: "B0058", Meaning: "x"}},
				Window:      &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: 3, Source: "service data"},
				Readings: []*fitmentv1.Reading{{
					Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
					Method: fitmentv1.Reading_METER_AT_COMPONENT, Ohms: p(17e6), LeadOhms: p(.2), ShortingClip: fitmentv1.Reading_OUT, BatteryOffMinutes: p(12),
					Meter: &fitmentv1.Meter{PercentOfReading: .9, Counts: 2, ResolutionOhms: .1},
				}, {
					Kind: fitmentv1.Part_CLOCK_SPRING, Position: &fitmentv1.Position{}, Method: fitmentv1.Reading_MODULE_REPORTED,
					OverRange: true, DisplayLimitOhms: p(10), Stage: 2,
				}},
				Dialect: "legacy-a",
				Tests: []*fitmentv1.LoopTest{{
					Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
					Method: fitmentv1.LoopTest_SUBSTITUTE_LOAD, Before: fitmentv1.LoopTest_OPEN_OR_HIGH, After: fitmentv1.LoopTest_NO_CODE,
				}},
			},
			answer: &fitmentv1.AssessFaultResponse{
				Suspects: []*fitmentv1.Suspect{{Component: fitmentv1.Suspect_PART, Probability: .97, Reason: "open"}},
				Purchase: fitmentv1.AssessFaultResponse_JUSTIFIED, PurchaseReason: "proven", Cautions: []string{"Take care."},
				Dialect: "legacy-a", Likelihoods: "2026-11-25 abc",
				Codes: []*fitmentv1.CodeReport{{Code: "B0059-1A-AF", Hex: "8059", Failure: "resistance below threshold", Status: []string{"testFailed", "pendingDTC"}}},
				Readings: []*fitmentv1.ReadingReport{{
					Kind: fitmentv1.Part_CLOCK_SPRING, Class: fitmentv1.ReadingReport_HIGH, Reason: "at the end",
					Window: &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: 3, Source: "service data"},
				}},
				Tests: []*fitmentv1.LoopTestReport{{Index: 0, Finding: fitmentv1.LoopTestReport_PART_OR_CONTACT, Reason: "the code went", Source: "a service text"}},
			},
			shows: []string{
				"97.0 %", "buying is justified: proven", "- Take care.", "in the dialect legacy-a", "resistance below threshold", "testFailed, pendingDTC",
				"The window is from: service data", "test 1 shows: part or contact", "the code went [a service text]", "likelihoods of 2026-11-25 abc",
			},
		},
		"donors": {
			args: append([]string{"donors", "--page-size", "3", "--all"}, need...),
			asks: &fitmentv1.FindDonorsRequest{Need: theNeed(), PageSize: 3, IncludeUnsuitable: true},
			answer: &fitmentv1.FindDonorsResponse{NextPageToken: "more-token", Donors: []*fitmentv1.Donor{
				{Listing: held, Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS}},
				{Listing: held, Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_PROVE_FIRST, MissingEvidence: []*fitmentv1.MissingEvidence{{Ask: "label photo"}}}},
				{Listing: held, Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_DOES_NOT_FIT}},
				{Listing: held, Decision: &fitmentv1.Decision{Verdict: fitmentv1.Decision_BARRED, Findings: []*fitmentv1.Finding{
					{Answer: fitmentv1.Finding_NO, Severity: fitmentv1.Finding_FIT, Reason: "another number"},
					{Answer: fitmentv1.Finding_NO, Severity: fitmentv1.Finding_REUSE, Reason: "it was deployed"},
				}}},
			}},
			shows: []string{"● fits", "◐ prove first", "label photo", "○ does not fit", "✕ barred", "it was deployed", "180.00 USD", "--page-token more-token"},
		},
		"donors, none": {
			args:   append([]string{"donors"}, need...),
			asks:   &fitmentv1.FindDonorsRequest{Need: theNeed()},
			answer: &fitmentv1.FindDonorsResponse{}, shows: []string{"no listing for this need", "--all shows what does not fit", "not sedan"},
		},
		"decide": {
			args: append([]string{"decide", "listings/k.1"}, need...),
			asks: &fitmentv1.DecideRequest{Need: theNeed(), ListingName: "listings/k.1"},
			answer: &fitmentv1.DecideResponse{Decision: &fitmentv1.Decision{
				Verdict: fitmentv1.Decision_FITS, Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_YES,
				Findings:      []*fitmentv1.Finding{{Rule: "number.exact", Answer: fitmentv1.Finding_YES, Reason: "the same number", Source: "label"}},
				ArrivalChecks: []*fitmentv1.ArrivalCheck{{Check: "Read the label.", Pass: "same number"}}, Cautions: []string{"Take care."},
			}},
			shows: []string{"● fits", "number.exact", "the same number", "Read the label.", "- Take care."},
		},
		"explain": {
			args: append([]string{"explain", "listings/k.1"}, need...),
			asks: &fitmentv1.DecideRequest{Need: theNeed(), ListingName: "listings/k.1"},
			answer: &fitmentv1.DecideResponse{Decision: &fitmentv1.Decision{
				Verdict: fitmentv1.Decision_PROVE_FIRST, Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_UNKNOWN, MessageToYard: "Please send a photo.",
			}},
			shows: []string{"◐ PROVE FIRST   listings/k.1", "May it be used again: unknown.", "for a 2006 Tarvena Solane", "MESSAGE TO THE YARD", "Please send a photo."},
		},
		"need save": {
			args:   append([]string{"need", "save", "--note", "RO 7", "--request-id", id}, need...),
			asks:   &fitmentv1.SaveNeedRequest{Need: theNeed(), Note: "RO 7", RequestId: id},
			answer: &fitmentv1.SaveNeedResponse{SavedNeed: saved}, shows: []string{"needs/n1", "buckle pretensioner, row 1 right, for a 2006 Tarvena Solane saloon", "note: RO 7"},
		},
		"need list": {
			args: []string{"need", "list", "--page-size", "1"}, asks: &fitmentv1.ListSavedNeedsRequest{PageSize: 1},
			answer: &fitmentv1.ListSavedNeedsResponse{SavedNeeds: []*fitmentv1.SavedNeed{saved}, NextPageToken: "next"}, shows: []string{"needs/n1", "RO 7", "--page-token next"},
		},
		"need show": {
			args: []string{"need", "show", "needs/n1"}, asks: &fitmentv1.GetSavedNeedRequest{Name: "needs/n1"},
			answer: &fitmentv1.GetSavedNeedResponse{SavedNeed: saved}, shows: []string{"needs/n1", "kept since"},
		},
		"need delete": {
			args: []string{"need", "delete", "needs/n1", "--request-id", id}, asks: &fitmentv1.DeleteSavedNeedRequest{Name: "needs/n1", RequestId: id},
			answer: &fitmentv1.DeleteSavedNeedResponse{Revision: "r"}, shows: []string{"needs/n1 is deleted"},
		},
		"need watch": {
			args:   []string{"need", "watch", "needs/n1", "--once", "--prove-first", "--revision", "w1"},
			asks:   &fitmentv1.WatchDonorsRequest{Name: "needs/n1", Revision: "w1", IncludeProveFirst: true},
			answer: &fitmentv1.WatchDonorsResponse{Change: fitmentv1.WatchDonorsResponse_NOTHING, Revision: "w2"},
		},
		"decision keep": {
			args:   append([]string{"decision", "keep", "listings/k.1", "--request-id", id}, need...),
			asks:   &fitmentv1.KeepDecisionRequest{Need: theNeed(), ListingName: "listings/k.1", RequestId: id},
			answer: &fitmentv1.KeepDecisionResponse{KeptDecision: kept}, shows: []string{"decisions/d1, kept", "● FITS   listings/k.1"},
		},
		"decision list": {
			args: []string{"decision", "list", "--page-token", "t"}, asks: &fitmentv1.ListKeptDecisionsRequest{PageToken: "t"},
			answer: &fitmentv1.ListKeptDecisionsResponse{KeptDecisions: []*fitmentv1.KeptDecision{kept}, NextPageToken: "next"},
			shows:  []string{"decisions/d1", "● fits", "listings/k.1", "2006 Tarvena Solane saloon", "--page-token next"},
		},
		"decision show": {
			args: []string{"decision", "show", "decisions/d1"}, asks: &fitmentv1.GetKeptDecisionRequest{Name: "decisions/d1"},
			answer: &fitmentv1.GetKeptDecisionResponse{KeptDecision: kept}, shows: []string{"decisions/d1, kept", "● FITS   listings/k.1"},
		},
		"decision recompute": {
			args: []string{"decision", "recompute", "decisions/d1"}, asks: &fitmentv1.RecomputeDecisionRequest{Name: "decisions/d1"},
			answer: &fitmentv1.RecomputeDecisionResponse{
				Kept: kept.GetDecision(), Again: kept.GetDecision(), Same: true, Now: &fitmentv1.Decision{Verdict: fitmentv1.Decision_BARRED}, Differences: []string{"A recall notice came."},
			},
			shows: []string{"as kept:          ● fits", "● fits, the same in every word", "by today's facts: ✕ barred", "- A recall notice came."},
		},
		"decision recompute of what is gone": {
			args: []string{"decision", "recompute", "decisions/d1"}, asks: &fitmentv1.RecomputeDecisionRequest{Name: "decisions/d1"},
			answer: &fitmentv1.RecomputeDecisionResponse{Kept: kept.GetDecision(), Again: &fitmentv1.Decision{}}, shows: []string{"NOT the same", "the listing is gone"},
		},
		"dialects": {
			args: []string{"dialects"}, asks: &fitmentv1.ListDialectsRequest{},
			answer: &fitmentv1.ListDialectsResponse{Version: "v1", Dialects: []*fitmentv1.Dialect{{Id: "standard", Text: "the standard's", Source: "SAE J2012", Codes: 7}}},
			shows:  []string{"standard", "7", "the standard's", "SAE J2012", "tables of v1"},
		},
		"jurisdictions": {
			args: []string{"jurisdictions"}, asks: &fitmentv1.ListJurisdictionPacksRequest{},
			answer: &fitmentv1.ListJurisdictionPacksResponse{Packs: []*fitmentv1.JurisdictionPack{{Jurisdiction: "US-WA", Place: "Washington", Version: "2026-11-25", Within: "US"}}},
			shows:  []string{"US-WA", "Washington", "2026-11-25"},
		},
		"jurisdictions of a place": {
			args: []string{"jurisdictions", "US-NY"}, asks: &fitmentv1.ListJurisdictionPacksRequest{Jurisdiction: "US-NY"},
			answer: &fitmentv1.ListJurisdictionPacksResponse{Packs: []*fitmentv1.JurisdictionPack{{
				Jurisdiction: "US-NY", Place: "New York", Notes: []string{"Check local law."},
				Provisions:  []*fitmentv1.JurisdictionPack_Provision{{Id: "US-NY.theft-query", Sale: true, Text: "A query is clear.", Source: "VTL § 415-c"}},
				Obligations: []*fitmentv1.Obligation{{Party: fitmentv1.Obligation_SELLER, Text: "State it.", Words: []string{"salvaged"}, Source: "a law"}},
			}}},
			shows: []string{"US-NY, New York", "US-NY.theft-query, before it is sold: A query is clear. [VTL § 415-c]", "seller: State it. [a law]", "“salvaged”", "Check local law."},
		},
		"listing get": {
			args: []string{"listing", "get", "listings/k.1"}, asks: &fitmentv1.GetListingRequest{Name: "listings/k.1"},
			answer: &fitmentv1.GetListingResponse{Listing: held}, shows: []string{"listings/k.1   held   etag e1", "held by shop", "fence 7"},
		},
		"listing list": {
			args: []string{"listing", "list", "--yard", "k", "--page-size", "2", "--page-token", "t"},
			asks: &fitmentv1.ListListingsRequest{Yard: "k", PageSize: 2, PageToken: "t"},
			answer: &fitmentv1.ListListingsResponse{
				Listings: []*fitmentv1.Listing{held}, NextPageToken: "next",
			}, shows: []string{"listings/k.1", "--page-token next"},
		},
		"listing hold": {
			args:   []string{"listing", "hold", "listings/k.1", "--minutes", "90", "--request-id", id},
			asks:   &fitmentv1.HoldListingRequest{Name: "listings/k.1", Minutes: 90, RequestId: id},
			answer: &fitmentv1.HoldListingResponse{Listing: held}, shows: []string{"fence 7"},
		},
		"listing hold longer": {
			args:   []string{"listing", "hold", "listings/k.1", "--minutes", "90", "--fence", "6", "--request-id", id},
			asks:   &fitmentv1.HoldListingRequest{Name: "listings/k.1", Minutes: 90, Fence: 6, RequestId: id},
			answer: &fitmentv1.HoldListingResponse{Listing: held}, shows: []string{"fence 7"},
		},
		"listing release": {
			args:   []string{"listing", "release", "listings/k.1", "--fence", "7", "--request-id", id},
			asks:   &fitmentv1.ReleaseListingRequest{Name: "listings/k.1", Fence: 7, RequestId: id},
			answer: &fitmentv1.ReleaseListingResponse{Listing: held}, shows: []string{"listings/k.1"},
		},
		"listing sell": {
			args:   append([]string{"listing", "sell", "listings/k.1", "--fence", "7", "--request-id", id}, need...),
			asks:   &fitmentv1.SellListingRequest{Name: "listings/k.1", Fence: 7, Need: theNeed(), RequestId: id},
			answer: &fitmentv1.SellListingResponse{Listing: held}, shows: []string{"listings/k.1"},
		},
		"listing withdraw": {
			args:   []string{"listing", "withdraw", "listings/k.1", "--etag", "e1", "--request-id", id},
			asks:   &fitmentv1.WithdrawListingRequest{Name: "listings/k.1", Etag: "e1", RequestId: id},
			answer: &fitmentv1.WithdrawListingResponse{Listing: held}, shows: []string{"listings/k.1"},
		},
		"quote": {
			args: append([]string{
				"quote", "--currency", "USD", "--day-cost", "30.00", "--tax", "7.25", "--hourly-rate", "128", "--fit-minutes", "70",
				"--check-minutes", "15", "--valid-hours", "24", "--reference", "RO-1", "--request-id", id,
			}, need...),
			asks: &quotev1.PrepareQuoteRequest{
				Need: theNeed(), CurrencyCode: "USD", DayCost: 3000, TaxPercent: "7.25", ValidHours: 24, Reference: "RO-1", RequestId: id,
				Labour: &quotev1.Labour{FitMinutes: 70, CheckMinutes: 15, HourlyRate: 12800},
			},
			answer: &quotev1.PrepareQuoteResponse{Quote: quote},
			shows:  []string{"quote Q-1", "plan: buy B; otherwise A", "235.00 USD", "listings/k.2: not proven → label photo", "- Dispose of"},
		},
		"quote dry run": {
			args:   append([]string{"quote", "--dry-run", "--request-id", id}, need...),
			asks:   &quotev1.PrepareQuoteRequest{Need: theNeed(), CurrencyCode: "USD", DryRun: true, Labour: &quotev1.Labour{}},
			answer: &quotev1.PrepareQuoteResponse{Quote: &quotev1.Quote{}}, shows: []string{"dry run: nothing held"},
		},
		"quote get": {
			args: []string{"quote", "get", "quotes/q1"}, asks: &quotev1.GetQuoteRequest{Name: "quotes/q1"},
			answer: &quotev1.GetQuoteResponse{Quote: quote}, shows: []string{"quote Q-1 (quotes/q1), open"},
		},
		"quote list": {
			args: []string{"quote", "list"}, asks: &quotev1.ListQuotesRequest{},
			answer: &quotev1.ListQuotesResponse{Quotes: []*quotev1.Quote{quote}}, shows: []string{"quotes/q1"},
		},
		"quote accept": {
			args: []string{"quote", "accept", "quotes/q1", "--request-id", id}, asks: &quotev1.AcceptQuoteRequest{Name: "quotes/q1", RequestId: id},
			answer: &quotev1.AcceptQuoteResponse{Quote: quote}, shows: []string{"Q-1"},
		},
		"quote decline": {
			args: []string{"quote", "decline", "quotes/q1", "--request-id", id}, asks: &quotev1.DeclineQuoteRequest{Name: "quotes/q1", RequestId: id},
			answer: &quotev1.DeclineQuoteResponse{Quote: quote}, shows: []string{"Q-1"},
		},
		"plan": {
			args: []string{"plan", "-"}, stdin: `{"currencyCode":"USD","dayCost":"0","offers":[{"id":"A","price":"18000","passProbability":0.85}]}`,
			asks:   &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", Offers: []*quotev1.PlanOffer{{Id: "A", Price: 18000, PassProbability: .85}}},
			answer: plan, shows: []string{"buy B; otherwise A", "order: B, A", "239.62 USD", "372.40 USD", "0.6000", "0.18 %"},
		},
		"basket": {
			args: []string{"basket", "-", "--why"}, stdin: `{"currencyCode":"USD","parts":["p1"],"sellers":[{"id":"s1","freight":"1250","offers":[{"part":"p1","price":"4500"}]}]}`,
			asks: &quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"p1"}, Sellers: []*quotev1.BasketSeller{
				{Id: "s1", Freight: 1250, Offers: []*quotev1.BasketOffer{{Part: "p1", Price: 4500}}},
			}},
			answer: &quotev1.SolveBasketResponse{
				Total: 5750, Bound: 5750, Proven: true, Nodes: 1, Method: "branch and bound", Assignment: []*quotev1.BasketChoice{{Part: "p1", Seller: "s1"}},
				Workings: []*quotev1.Working{{Number: "total", Formula: "45.00 + 12.50", Value: "57.50"}},
			},
			shows: []string{"p1    s1", "total with freight 57.50 USD: nothing is cheaper", "by branch and bound; nodes: 1", "total = 45.00 + 12.50 = 57.50"},
		},
		"basket cut off": {
			args: []string{"basket", "-"}, stdin: `{"currencyCode":"USD"}`, asks: &quotev1.SolveBasketRequest{CurrencyCode: "USD"},
			answer: &quotev1.SolveBasketResponse{Total: 5750, Bound: 5000, Nodes: 9, Method: "branch and bound"},
			shows:  []string{"57.50 USD: the best found when the search ended; nothing costs less than 50.00 USD"},
		},
		"outcome record": {
			args: []string{
				"outcome", "record", "listings/k.1", "--kind", "pigtail", "--condition", "used", "--result", "failed", "--note", "n",
				"--quote", "quotes/q1", "--request-id", id,
			},
			asks: &quotev1.RecordOutcomeRequest{RequestId: id, Outcome: &quotev1.Outcome{
				Source: "listings/k.1", Kind: fitmentv1.Part_PIGTAIL, Condition: quotev1.Offer_USED, Result: quotev1.Outcome_FAILED, Note: "n", Quote: "quotes/q1",
			}},
			answer: &quotev1.RecordOutcomeResponse{Outcome: &quotev1.Outcome{Source: "listings/k.1", Seller: "k", Result: quotev1.Outcome_FAILED}},
			shows:  []string{"listings/k.1 of k", "failed"},
		},
		"outcome list": {
			args: []string{"outcome", "list", "--page-size", "1"}, asks: &quotev1.ListOutcomesRequest{PageSize: 1},
			answer: &quotev1.ListOutcomesResponse{Outcomes: []*quotev1.Outcome{{Source: "listings/k.1", Result: quotev1.Outcome_PASSED}}},
			shows:  []string{"listings/k.1", "passed"},
		},
	}
}

func TestClientCommandsAskAndShow(t *testing.T) {
	t.Parallel()
	cases := clientCases()
	maps.Copy(cases, evidenceCases())
	maps.Copy(cases, catalogueCases())
	maps.Copy(cases, booksCases())
	maps.Copy(cases, planningCases())
	maps.Copy(cases, quoteCases())
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := start(t, c.answer, nil)
			code, out, errs := run(t, c.stdin, s.to(c.args...)...)
			if code != cli.ExitOK || errs != "" {
				t.Fatalf("exit %d: %s", code, errs)
			}
			if diff := cmp.Diff(c.asks, s.asked, protocmp.Transform()); diff != "" {
				t.Errorf("asked (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff([]string{"Bearer the-key"}, s.key); diff != "" {
				t.Errorf("key (-want +got):\n%s", diff)
			}
			for _, want := range c.shows {
				if !strings.Contains(out, want) {
					t.Errorf("%q is missing in:\n%s", want, out)
				}
			}
			code, out, errs = run(t, c.stdin, s.to(append(c.args, "--json")...)...)
			got := c.answer.ProtoReflect().New().Interface()
			if err := protojson.Unmarshal([]byte(out), got); err != nil || code != cli.ExitOK {
				t.Fatalf("--json: exit %d, %v: %s%s", code, err, out, errs)
			}
			if diff := cmp.Diff(c.answer, got, protocmp.Transform()); diff != "" {
				t.Errorf("--json (-want +got):\n%s", diff)
			}
		})
	}
}

func TestWritesGetANewRequestID(t *testing.T) {
	t.Parallel()
	s := start(t, &fitmentv1.HoldListingResponse{Listing: &fitmentv1.Listing{}}, nil)
	seen := map[string]bool{}
	for range 2 {
		if code, _, errs := run(t, "", s.to("listing", "hold", "listings/k.1")...); code != cli.ExitOK {
			t.Fatal(errs)
		}
		seen[s.asked.(*fitmentv1.HoldListingRequest).GetRequestId()] = true
	}
	if len(seen) != 2 || seen[""] {
		t.Errorf("request ids %v", seen)
	}
}

func TestErrorsSayWhatToDo(t *testing.T) {
	t.Parallel()
	refusal := apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID,
		apierr.Violation{Field: "vin", Problem: "has 3 characters", Expected: "17"}, apierr.Violation{Field: "market", Problem: "is no country"})
	s := start(t, nil, refusal)
	code, out, errs := run(t, "", s.to("decode", "ABC")...)
	if code != cli.ExitFailed || out != "" || !strings.Contains(errs, "  vin: has 3 characters; expected 17\n  market (--market): is no country") {
		t.Errorf("exit %d %q %q", code, out, errs)
	}
	unauthenticated := start(t, nil, apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, "wrong"))
	if code, _, errs := run(t, "", unauthenticated.to("quote", "list")...); code != cli.ExitFailed || !strings.Contains(errs, "--key-file") {
		t.Errorf("exit %d %q", code, errs)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	nobody := listener.Addr().String()
	_ = listener.Close()
	code, _, errs = run(t, "", "quote", "list", "--server", nobody, "--key", "k")
	if code != cli.ExitFailed || !strings.Contains(errs, "the server does not answer") || !strings.Contains(errs, "is the server running?") {
		t.Errorf("exit %d %q", code, errs)
	}
}

// TestErrorsNameFlags: whoever types flags is told the flag beside the request's
// field, also where the two have other names; an argument has none.
func TestErrorsNameFlags(t *testing.T) {
	t.Parallel()
	for field, test := range map[string]struct {
		flag string
		line []string
	}{
		"tax_percent":                {" (--tax)", []string{"quote", "--kind", "clock-spring"}},
		"need.vehicle.build_date":    {" (--built)", []string{"quote", "--kind", "clock-spring"}},
		"further_needs[1].need.kind": {" (--also)", []string{"quote", "--kind", "clock-spring"}},
		"deadline_days":              {" (--deadline)", []string{"quote", "--kind", "clock-spring"}},
		"entry.note":                 {" (--note)", []string{"books", "credit-note", "give", "quotes/Q-2026-000001", "--amount", "1.00"}},
		"entry.kind":                 {"", []string{"books", "record", "paid", "quotes/Q-2026-000001", "--amount", "1.00"}},
		"from_day":                   {" (--from)", []string{"books", "sum"}},
		"lines[0]":                   {" (--line)", []string{"quote", "accept", "quotes/Q-2026-000001"}},
	} {
		refusal := apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: field, Problem: "is wrong", Expected: "what is right"})
		_, _, errs := run(t, "", start(t, nil, refusal).to(test.line...)...)
		if want := "beltwright: " + field + test.flag + ": is wrong; expected what is right\n"; errs != want {
			t.Errorf("got %q, want %q", errs, want)
		}
	}
}

func TestWrongCommandLinesAreUsageErrors(t *testing.T) {
	t.Parallel()
	s := start(t, &quotev1.PlanPurchaseResponse{}, nil)
	for name, c := range map[string]struct {
		args  []string
		stdin string
		says  string
	}{
		"unknown command":   {[]string{"frobnicate"}, "", `"frobnicate"`},
		"unknown flag":      {[]string{"donors", "--frob"}, "", "--frob"},
		"no number":         {[]string{"donors", "--year", "old"}, "", `"old"`},
		"missing argument":  {[]string{"decode"}, "", "VIN"},
		"too many":          {[]string{"quote", "accept", "a", "b"}, "", "QUOTE"},
		"unknown kind":      {s.to("donors", "--kind", "wheel"), "", "buckle-pretensioner"},
		"unknown class":     {s.to("decode", "x", "--class", "boat"), "", "passenger-car"},
		"unknown result":    {s.to("outcome", "record", "x", "--result", "good"), "", "passed, failed"},
		"reading word":      {s.to("assess", "--reading", "ohm=2"), "", "battery-off"},
		"reading number":    {s.to("assess", "--reading", "ohms=two"), "", `ohms="two" is no number`},
		"reading NaN":       {s.to("assess", "--reading", "ohms=NaN"), "", `ohms="NaN" is no number`},
		"reading row":       {s.to("assess", "--reading", "row=1.5"), "", `row="1.5" is no whole number`},
		"reading truth":     {s.to("assess", "--reading", "over-range=maybe"), "", "expected yes or no"},
		"reading stage":     {s.to("assess", "--reading", "stage=two"), "", `stage="two" is no whole number`},
		"test word":         {s.to("assess", "--test", "ohms=2"), "", "before, after"},
		"test method":       {s.to("assess", "--test", "method=meter"), "", "unplug, substitute-load"},
		"test state":        {s.to("assess", "--test", "method=unplug,before=on"), "", "open-or-high, low-or-shorted, no-code, other-code"},
		"test row":          {s.to("assess", "--test", "row=x"), "", `row="x" is no whole number`},
		"reading twice":     {s.to("assess", "--reading", "ohms=1,ohms=2"), "", "given twice"},
		"half a window":     {s.to("assess", "--window", "low=1"), "", "lacks low or high"},
		"choice":            {s.to("assess", "--choice", "B0058"), "", "CODE=ID"},
		"amount":            {s.to("quote", "--day-cost", "ten"), "", "--day-cost"},
		"plan field":        {s.to("plan", "-"), `{"offers":[{"id":"A","prise":1}]}`, "offers[0].prise: is no field of PlanOffer"},
		"basket field":      {s.to("basket", "-"), `{"sellers":[{"id":"A","frieght":1}]}`, "sellers[0].frieght: is no field of BasketSeller"},
		"plan too long":     {s.to("plan", "-"), strings.Repeat(" ", 1<<20) + "{}", "more than 1048576 bytes"},
		"log level":         {[]string{"serve", "--log-level", "loud", "--data", filepath.Join(t.TempDir(), "d")}, "", "debug, info, warn or error"},
		"gateway log level": {[]string{"gateway", "--log-level", "loud"}, "", "debug, info, warn or error"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, out, errs := run(t, c.stdin, c.args...)
			if code != cli.ExitUsage || out != "" || !strings.Contains(errs, c.says) {
				t.Errorf("exit %d, want %d and %q: %s%s", code, cli.ExitUsage, c.says, out, errs)
			}
		})
	}
}

func TestServersListenOnLoopbackOnly(t *testing.T) {
	t.Parallel()
	for _, args := range [][]string{
		{"serve", "--http", "0.0.0.0:0", "--grpc", "127.0.0.1:0"},
		{"serve", "--http", "127.0.0.1:0", "--grpc", ":0"},
		{"gateway", "--http", "0.0.0.0:0"},
		{"gateway", "--http", "127.0.0.1:0", "--fitment", "203.0.113.1:9091"},
	} {
		if args[0] == "serve" {
			args = append(args, "--data", filepath.Join(t.TempDir(), "data"))
		}
		code, _, errs := run(t, "", args...)
		if code != cli.ExitFailed || !strings.Contains(errs, "loopback") {
			t.Errorf("%v: exit %d, %s", args, code, errs)
		}
	}
}

func TestKeyComesFromAFile(t *testing.T) {
	t.Parallel()
	s := start(t, &quotev1.ListQuotesResponse{}, nil)
	path := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(path, []byte("file-key\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := run(t, "", "quote", "list", "--server", s.address, "--key-file", path); code != cli.ExitOK || !cmp.Equal(s.key, []string{"Bearer file-key"}) {
		t.Errorf("exit %d, key %v, %s", code, s.key, errs)
	}
	if code, _, errs := run(t, "", "quote", "list", "--server", s.address, "--key-file", path+"x"); code != cli.ExitFailed || !strings.Contains(errs, path+"x") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

// importer answers each line after the first one as a row.
type importer struct {
	fitmentv1.UnimplementedListingServiceServer

	options *fitmentv1.ImportOptions
	file    string
	ends    error
}

func (i *importer) ImportListings(stream fitmentv1.ListingService_ImportListingsServer) error {
	for {
		message, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if options := message.GetOptions(); options != nil {
			i.options = options
		}
		i.file += string(message.GetChunk())
	}
	rows := []*fitmentv1.RowResult{
		{Row: 2, Outcome: fitmentv1.RowResult_CREATED, Name: "listings/k.1"},
		{Row: 3, Outcome: fitmentv1.RowResult_REJECTED, Problems: []*fitmentv1.FieldProblem{{Field: "price", Problem: `"x" is no amount`, Expected: "45.00"}}},
	}
	for _, row := range rows {
		if err := stream.Send(&fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Row{Row: row}}); err != nil {
			return err
		}
	}
	if i.ends != nil {
		return i.ends
	}
	return stream.Send(&fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Summary{
		Summary: &fitmentv1.ImportSummary{Rows: 2, Created: 1, Rejected: 1, DryRun: i.options.GetDryRun()},
	}})
}

func TestImportReportsRowByRow(t *testing.T) {
	t.Parallel()
	i := &importer{}
	s := start(t, nil, nil, func(g *grpc.Server) { fitmentv1.RegisterListingServiceServer(g, i) })
	path := filepath.Join(t.TempDir(), "stock.csv")
	if err := os.WriteFile(path, []byte("a\nb\nc\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := run(t, "", s.to("import", "listings", path, "--dry-run", "--owner", "kettlewick")...)
	want := "row 3, price: \"x\" is no amount; expected 45.00\n2 rows: 1 new, 0 changed, 0 unchanged, 1 rejected\ndry run: nothing was stored\n"
	if code != cli.ExitFailed || out != want || !strings.Contains(errs, "1 of 2 rows were rejected") {
		t.Errorf("exit %d\n%s%s", code, out, errs)
	}
	if diff := cmp.Diff(&fitmentv1.ImportOptions{DryRun: true, Owner: "kettlewick"}, i.options, protocmp.Transform()); diff != "" || i.file != "a\nb\nc\n" {
		t.Errorf("file %q, options (-want +got):\n%s", i.file, diff)
	}
	_, out, _ = run(t, "from stdin", s.to("import", "listings", "-", "--json")...)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); len(lines) != 3 || !strings.Contains(lines[1], "REJECTED") {
		t.Errorf("--json:\n%s", out)
	}
	if !strings.HasSuffix(i.file, "from stdin") {
		t.Errorf("file %q", i.file)
	}
	i.ends = apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "draining")
	if code, _, errs := run(t, "a\n", s.to("import", "listings", "-")...); code != cli.ExitFailed || !strings.Contains(errs, "draining") {
		t.Errorf("exit %d, %s", code, errs)
	}
	if code, _, errs := run(t, "", s.to("import", "listings", path+"x")...); code != cli.ExitFailed || !strings.Contains(errs, path+"x") {
		t.Errorf("exit %d, %s", code, errs)
	}
}

// A file that cannot be read on is what is reported, not that the server then
// saw the upload end.
func TestImportReportsABrokenFile(t *testing.T) {
	t.Parallel()
	i := &importer{}
	s := start(t, nil, nil, func(g *grpc.Server) { fitmentv1.RegisterListingServiceServer(g, i) })
	var stdout, stderr bytes.Buffer
	broken := io.MultiReader(strings.NewReader("a\nb\n"), failing{})
	code := cli.Main(context.Background(), s.to("import", "listings", "-"), cli.Streams{In: broken, Out: &stdout, Err: &stderr})
	if code != cli.ExitFailed || !strings.Contains(stderr.String(), "the disk is gone") {
		t.Errorf("exit %d, %s%s", code, stdout.String(), stderr.String())
	}
}

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }
