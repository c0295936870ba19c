package cli

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/plain"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func explainCommand(c *connection) *cobra.Command {
	var need needFlags
	cmd := &cobra.Command{
		Use:   "explain LISTING",
		Short: "Say in plain words whether one listing fits and may be used",
		Long: `Explain decides one listing for a need and writes the decision to be read: the answer
first, why, what is not proven and how to prove it, a message to the yard, what
the law asks, what to renew, what to check on arrival, sources and cautions.`,
		Example: `  beltwright explain listings/kettlewick.SOLANE-1 --for needs/…
  beltwright explain listings/kettlewick.SOLANE-1 --make Tarvena --model Solane --year 2006 \
    --drive-side left --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		Args: arguments("LISTING"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return decided(c, cmd, &need, args[0], func(p *printer, n *fitmentv1.Need, d *fitmentv1.Decision) { p.text(plain.Decision(args[0], n, d)) })
		},
	}
	need.bind(cmd)
	return cmd
}

func decisionCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "decision",
		Short:   "Keep decisions with all that they stood on, and make them again",
		Long:    "Decision keeps decisions, so that it can be shown later what was decided, on which facts and by which rules.",
		Example: "  beltwright decision list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(decisionKeep(c), decisionList(c), decisionShow(c), decisionRecompute(c))
	return cmd
}

func decisionKeep(c *connection) *cobra.Command {
	var need needFlags
	cmd := &cobra.Command{
		Use: "keep LISTING", Short: "Decide a listing and keep the decision",
		Long: "Keep decides a listing for a need and keeps the decision with every fact, rule and law that it stood on.",
		Example: `  beltwright decision keep listings/kettlewick.SOLANE-1 --make Tarvena --model Solane --year 2006 \
    --drive-side left --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		Args: arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	need.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := need.need(c, cmd)
		if err != nil {
			return err
		}
		request := &fitmentv1.KeepDecisionRequest{Need: n, ListingName: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.KeepDecisionResponse, error) {
			return fitmentv1.NewFitmentServiceClient(conn).KeepDecision(ctx, request)
		}, func(p *printer, answer *fitmentv1.KeepDecisionResponse) { showKept(p, answer.GetKeptDecision()) })
	}
	return cmd
}

func showKept(p *printer, kept *fitmentv1.KeptDecision) {
	p.linef("%s, kept %s", kept.GetName(), localTime(kept.GetCreateTime().AsTime()))
	p.text(plain.Decision(kept.GetListing().GetName(), kept.GetNeed(), kept.GetDecision()))
}

func decisionShow(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "show DECISION", Short: "Show a kept decision", Long: "Show shows one of the decisions that your business keeps, as it was made.",
		Example: "  beltwright decision show decisions/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("DECISION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetKeptDecisionResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).GetKeptDecision(ctx, &fitmentv1.GetKeptDecisionRequest{Name: args[0]})
			}, func(p *printer, answer *fitmentv1.GetKeptDecisionResponse) { showKept(p, answer.GetKeptDecision()) })
		},
	}
}

func decisionList(c *connection) *cobra.Command {
	var request fitmentv1.ListKeptDecisionsRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List your kept decisions", Long: "List shows the decisions that your business keeps.",
		Example: "  beltwright decision list --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListKeptDecisionsResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).ListKeptDecisions(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListKeptDecisionsResponse) {
				rows := make([][]string, 0, len(answer.GetKeptDecisions()))
				for _, kept := range answer.GetKeptDecisions() {
					rows = append(rows, []string{
						kept.GetName(), verdict(kept.GetDecision().GetVerdict()), kept.GetListing().GetName(), car(kept.GetNeed().GetVehicle()), localTime(kept.GetCreateTime().AsTime()),
					})
				}
				p.table([]string{"decision", "verdict", "listing", "vehicle", "kept"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

func decisionRecompute(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "recompute DECISION", Short: "Make a kept decision again",
		Long: `Recompute makes a kept decision again from the facts that it was made on, and once
more from those of today, and says what is not the same.`,
		Example: "  beltwright decision recompute decisions/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("DECISION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.RecomputeDecisionResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).RecomputeDecision(ctx, &fitmentv1.RecomputeDecisionRequest{Name: args[0]})
			}, showRecomputed)
		},
	}
}

func showRecomputed(p *printer, answer *fitmentv1.RecomputeDecisionResponse) {
	p.linef("as kept:          %s", verdict(answer.GetKept().GetVerdict()))
	same := "the same in every word"
	if !answer.GetSame() {
		same = "NOT the same"
	}
	p.linef("made again:       %s, %s", verdict(answer.GetAgain().GetVerdict()), same)
	if answer.GetNow() == nil {
		p.linef("with today's facts: the listing is gone")
	} else {
		p.linef("by today's facts: %s", verdict(answer.GetNow().GetVerdict()))
	}
	p.list("differences", answer.GetDifferences())
}
