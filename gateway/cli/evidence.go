package cli

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
)

func evidenceCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "evidence",
		Short: "Ask yards for evidence, and answer",
		Long: `Evidence asks a listing's yard for what is not proven about it. The yard answers with
evidence, which is added to the listing, or declines; the shop is told.`,
		Example: "  beltwright evidence list --state open",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(evidenceAsk(c), evidenceAnswer(c), evidenceDecline(c), evidenceWithdraw(c), evidenceList(c), evidenceShow(c), evidenceWatch(c))
	return cmd
}

// oneInquiry is the answer of every call about one evidence request.
type oneInquiry interface {
	GetEvidenceRequest() *fitmentv1.EvidenceRequest
}

func evidenceAsk(c *connection) *cobra.Command {
	var need needFlags
	var attributes []string
	var text string
	cmd := &cobra.Command{
		Use: "ask LISTING", Short: "Ask a listing's yard for evidence",
		Long: `Ask asks for everything that is not proven for a need and that the yard can give, or
for what --attribute names. The question is written for you, unless --text gives it.
The yard does not see the VIN of the vehicle.`,
		Example: `  beltwright evidence ask listings/kettlewick.SOLANE-2 --for needs/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11
  beltwright evidence ask listings/kettlewick.SOLANE-2 --attribute part-number --make Tarvena --model Solane --year 2006 \
    --drive-side left --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		Args: arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	need.bind(cmd)
	cmd.Flags().StringSliceVar(&attributes, "attribute", nil, "what to ask for: part-number, loop-resistance, … (repeatable; default all that is missing)")
	cmd.Flags().StringVar(&text, "text", "", "the question in your own words")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := need.need(c, cmd)
		if err != nil {
			return err
		}
		request := &fitmentv1.RequestEvidenceRequest{Listing: args[0], Need: n, Text: text, RequestId: id.text()}
		for _, name := range attributes {
			attribute, err := enum("--attribute", name, fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED)
			if err != nil {
				return err
			}
			request.Attributes = append(request.Attributes, fitmentv1.Evidence_Attribute(attribute))
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.RequestEvidenceResponse, error) {
			return fitmentv1.NewEvidenceServiceClient(conn).RequestEvidence(ctx, request)
		}, func(p *printer, answer *fitmentv1.RequestEvidenceResponse) { showInquiry(p, answer) })
	}
	return cmd
}

func evidenceAnswer(c *connection) *cobra.Command {
	var given []string
	var remark string
	cmd := &cobra.Command{
		Use: "answer REQUEST", Short: "Answer with evidence",
		Long: `Answer adds evidence to the listing and closes the request. Each --evidence is one
statement: what it is about and the value, then how it is known, as in a file of
listings, and the photos that show it, all separated by semicolons. A loop's
resistance can say how it was read, as assess --reading does.`,
		Example: `  beltwright evidence answer evidenceRequests/kettlewick.2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11 \
    --evidence "part-number=KR-4941-R; shown: label photo @2026-11-20; attachments/kettlewick.ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad" \
    --evidence "loop-resistance=2.1; shown: module read-out; reading: method=module-reported,clip=out"`,
		Args: arguments("REQUEST"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringArrayVar(&given, "evidence", nil, "a `statement` (repeatable)")
	cmd.Flags().StringVar(&remark, "remark", "", "remark to the shop")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.AnswerEvidenceRequestRequest{Name: args[0], Answer: remark, RequestId: id.text()}
		for _, text := range given {
			e, err := parseStatement(text, yardOf(args[0]))
			if err != nil {
				return err
			}
			request.Evidence = append(request.Evidence, e)
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.AnswerEvidenceRequestResponse, error) {
			return fitmentv1.NewEvidenceServiceClient(conn).AnswerEvidenceRequest(ctx, request)
		}, func(p *printer, answer *fitmentv1.AnswerEvidenceRequestResponse) { showInquiry(p, answer) })
	}
	return cmd
}

// yardOf is the yard in the name of a request; empty where it is none, which the
// server then says.
func yardOf(name string) string {
	yard, _, _ := strings.Cut(strings.TrimPrefix(name, "evidenceRequests/"), ".")
	return yard
}

// parseStatement reads "ATTRIBUTE=VALUE; SUPPORT; ATTACHMENT; reading: …", of which
// the first part must be there.
func parseStatement(text, yard string) (*fitmentv1.Evidence, error) {
	parts := strings.Split(text, ";")
	name, value, ok := strings.Cut(parts[0], "=")
	if !ok {
		return nil, usageError{fmt.Errorf("--evidence: %q is not understood; expected ATTRIBUTE=VALUE first", text)}
	}
	attribute, err := enum("--evidence", name, fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	e := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_Attribute(attribute), Value: strings.TrimSpace(value)}
	listing.Support("", yard, e) // a claim, unless a part says otherwise
	supported := false
	for _, part := range parts[1:] {
		part = strings.TrimSpace(part)
		reading, isReading := strings.CutPrefix(part, "reading:")
		switch {
		case strings.HasPrefix(part, "attachments/"):
			e.Attachments = append(e.Attachments, part)
		case isReading && e.GetReading() == nil:
			if e.Reading, err = readingOf(reading, e.GetValue()); err != nil {
				return nil, err
			}
		case part != "" && !supported && listing.Support(part, yard, e):
			supported = true
		default:
			return nil, usageError{fmt.Errorf("--evidence: %q is not understood, or there twice; expected how it is known, such as shown: label photo @2026-11-20, an attachment's name, or reading: …", part)}
		}
	}
	return e, nil
}

// readingOf reads how a resistance was read; its ohms are the statement's value.
func readingOf(text, value string) (*fitmentv1.Reading, error) {
	reading, err := parseReading(strings.TrimSpace(text))
	if err != nil {
		return nil, err
	}
	if value == listing.OverRange {
		reading.OverRange = true
	} else if ohms, err := strconv.ParseFloat(value, 64); err == nil && reading.Ohms == nil {
		reading.Ohms = &ohms
	}
	return reading, nil
}

func evidenceDecline(c *connection) *cobra.Command {
	var remark string
	cmd := &cobra.Command{
		Use: "decline REQUEST", Short: "Say that you will not or cannot answer", Long: "Decline closes a request to your yard without evidence.",
		Example: "  beltwright evidence decline evidenceRequests/kettlewick.2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11 --remark \"sold at the counter\"",
		Args:    arguments("REQUEST"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringVar(&remark, "remark", "", "why")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.DeclineEvidenceRequestRequest{Name: args[0], Answer: remark, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.DeclineEvidenceRequestResponse, error) {
			return fitmentv1.NewEvidenceServiceClient(conn).DeclineEvidenceRequest(ctx, request)
		}, func(p *printer, answer *fitmentv1.DeclineEvidenceRequestResponse) { showInquiry(p, answer) })
	}
	return cmd
}

func evidenceWithdraw(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "withdraw REQUEST", Short: "Take a request of yours back", Long: "Withdraw closes a request that your business asked.",
		Example: "  beltwright evidence withdraw evidenceRequests/kettlewick.2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("REQUEST"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.WithdrawEvidenceRequestRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.WithdrawEvidenceRequestResponse, error) {
			return fitmentv1.NewEvidenceServiceClient(conn).WithdrawEvidenceRequest(ctx, request)
		}, func(p *printer, answer *fitmentv1.WithdrawEvidenceRequestResponse) { showInquiry(p, answer) })
	}
	return cmd
}

func evidenceList(c *connection) *cobra.Command {
	var request fitmentv1.ListEvidenceRequestsRequest
	var state string
	cmd := &cobra.Command{
		Use: "list", Short: "List what you asked and were asked", Long: "List shows the evidence requests that your business asked or was asked, in the order of their names.",
		Example: "  beltwright evidence list --state open --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			number, err := enum("--state", state, fitmentv1.EvidenceRequest_STATE_UNSPECIFIED)
			if err != nil {
				return err
			}
			request.State = fitmentv1.EvidenceRequest_State(number)
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListEvidenceRequestsResponse, error) {
				return fitmentv1.NewEvidenceServiceClient(conn).ListEvidenceRequests(ctx, &request)
			}, showInquiries)
		},
	}
	cmd.Flags().StringVar(&state, "state", "", "only those that are open, answered, declined or withdrawn")
	cmd.Flags().StringVar(&request.Listing, "listing", "", "only those about this listing")
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

func showInquiries(p *printer, answer *fitmentv1.ListEvidenceRequestsResponse) {
	rows := make([][]string, 0, len(answer.GetEvidenceRequests()))
	for _, r := range answer.GetEvidenceRequests() {
		rows = append(rows, []string{
			r.GetName(), words(r.GetState()), r.GetListing(), r.GetShop(), strings.Join(attributeWords(r), ", "), localTime(r.GetUpdateTime().AsTime()),
		})
	}
	p.table([]string{"request", "state", "listing", "asked by", "for", "changed"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}

func attributeWords(r *fitmentv1.EvidenceRequest) []string {
	list := make([]string, 0, len(r.GetAttributes()))
	for _, attribute := range r.GetAttributes() {
		list = append(list, words(attribute))
	}
	return list
}

func evidenceShow(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "show REQUEST", Short: "Show one request", Long: "Show shows a request that your business asked or was asked, and to the shop the decision as it is now.",
		Example: "  beltwright evidence show evidenceRequests/kettlewick.2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("REQUEST"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetEvidenceRequestResponse, error) {
				return fitmentv1.NewEvidenceServiceClient(conn).GetEvidenceRequest(ctx, &fitmentv1.GetEvidenceRequestRequest{Name: args[0]})
			}, func(p *printer, answer *fitmentv1.GetEvidenceRequestResponse) {
				showInquiry(p, answer)
				if d := answer.GetDecision(); d != nil {
					p.linef("now: %s", strings.Join(nonEmpty(verdict(d.GetVerdict()), headline(d)), "   "))
				}
			})
		},
	}
}

func showInquiry(p *printer, answer oneInquiry) {
	r := answer.GetEvidenceRequest()
	n := r.GetNeed()
	p.linef("%s   %s", r.GetName(), words(r.GetState()))
	p.linef("%s asks about %s, for %s", r.GetShop(), r.GetListing(), strings.Join(nonEmpty(words(n.GetKind()), place(n.GetPosition()), "of a "+car(n.GetVehicle())), ", "))
	p.linef("asked for: %s", strings.Join(attributeWords(r), ", "))
	p.list("question", strings.Split(r.GetText(), "\n"))
	if r.GetAnswer() != "" {
		p.list("remark", strings.Split(r.GetAnswer(), "\n"))
	}
	showEvidence(p, r.GetEvidence())
	p.linef("when asked: %s", verdict(r.GetAskedVerdict()))
	if r.GetState() == fitmentv1.EvidenceRequest_ANSWERED {
		p.linef("when answered: %s", verdict(r.GetAnsweredVerdict()))
	}
}

func evidenceWatch(c *connection) *cobra.Command {
	var f watchFlags
	cmd := &cobra.Command{
		Use: "watch", Short: "Tell requests and answers as they come",
		Long: `Watch prints the requests that your business asked or was asked, then each again when
it changes. With --resume FILE the place is kept in a file: whenever it is run
again, it goes on from there, and nothing is missed or told twice. With --once it
ends when it has told all there is.`,
		Example: "  beltwright evidence watch --resume requests.place --once",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return watch(c, cmd, &f, func(ctx context.Context, conn grpc.ClientConnInterface, revision string) (stream[*fitmentv1.WatchEvidenceRequestsResponse], error) {
				return fitmentv1.NewEvidenceServiceClient(conn).WatchEvidenceRequests(ctx, &fitmentv1.WatchEvidenceRequestsRequest{Revision: revision})
			}, func(m *fitmentv1.WatchEvidenceRequestsResponse) (bool, error) {
				return m.GetEvidenceRequest() == nil, c.showNews(cmd, m)
			})
		},
	}
	f.bind(cmd)
	return cmd
}

// showNews prints a change: all of them as JSON lines, those that say something as
// text.
func (c *connection) showNews(cmd *cobra.Command, m *fitmentv1.WatchEvidenceRequestsResponse) error {
	if c.asJSON {
		return jsonLine(cmd.OutOrStdout(), m)
	}
	r := m.GetEvidenceRequest()
	if r == nil {
		return nil
	}
	p := &printer{out: cmd.OutOrStdout()}
	after := ""
	if r.GetState() == fitmentv1.EvidenceRequest_ANSWERED {
		after = verdict(r.GetAnsweredVerdict())
	}
	p.linef("%s", strings.Join(nonEmpty(words(r.GetState()), r.GetName(), r.GetListing(), strings.Join(attributeWords(r), ", "), after), "   "))
	return p.err
}
