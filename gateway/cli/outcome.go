package cli

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func outcomeCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "outcome",
		Short:   "Record how bought parts fared at their arrival check",
		Long:    "Outcome records arrival checks. They move the chance that the next quote gives the same seller.",
		Example: "  beltwright outcome list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(outcomeRecord(c), outcomeList(c))
	return cmd
}

func outcomeRecord(c *connection) *cobra.Command {
	var kind, condition, result, quote, note string
	cmd := &cobra.Command{
		Use: "record SOURCE", Short: "Record one arrival check",
		Long: "Record keeps the result of one part's arrival check. SOURCE is the listing or offer that was bought.",
		Example: `  beltwright outcome record listings/kettlewick.SOLANE-1 --kind buckle-pretensioner \
    --condition used --result passed --note "label, keying and clip as listed"`,
		Args: arguments("SOURCE"),
	}
	id := bindRequestID(cmd)
	flags := cmd.Flags()
	flags.StringVar(&kind, "kind", "", "kind of part")
	flags.StringVar(&condition, "condition", "", "used, remanufactured or new")
	flags.StringVar(&result, "result", "", "passed or failed")
	flags.StringVar(&quote, "quote", "", "quote it was bought on")
	flags.StringVar(&note, "note", "", "what was seen")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		k, err := enum("--kind", kind, fitmentv1.Part_KIND_UNSPECIFIED)
		if err != nil {
			return err
		}
		con, err := enum("--condition", condition, quotev1.Offer_CONDITION_UNSPECIFIED)
		if err != nil {
			return err
		}
		res, err := enum("--result", result, quotev1.Outcome_RESULT_UNSPECIFIED)
		if err != nil {
			return err
		}
		request := &quotev1.RecordOutcomeRequest{RequestId: id.text(), Outcome: &quotev1.Outcome{
			Source: args[0], Kind: fitmentv1.Part_Kind(k), Condition: quotev1.Offer_Condition(con),
			Result: quotev1.Outcome_Result(res), Quote: quote, Note: note,
		}}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.RecordOutcomeResponse, error) {
			return quotev1.NewRepairServiceClient(conn).RecordOutcome(ctx, request)
		}, func(p *printer, answer *quotev1.RecordOutcomeResponse) { showOutcome(p, answer.GetOutcome()) })
	}
	return cmd
}

func showOutcome(p *printer, o *quotev1.Outcome) {
	p.linef("recorded: %s of %s, %s, %s", o.GetSource(), o.GetSeller(), words(o.GetCondition()), words(o.GetResult()))
}

func outcomeList(c *connection) *cobra.Command {
	var request quotev1.ListOutcomesRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List recorded arrival checks", Long: "List shows the arrival checks that you recorded.",
		Example: "  beltwright outcome list --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListOutcomesResponse, error) {
				return quotev1.NewRepairServiceClient(conn).ListOutcomes(ctx, &request)
			}, func(p *printer, answer *quotev1.ListOutcomesResponse) {
				rows := make([][]string, 0, len(answer.GetOutcomes()))
				for _, o := range answer.GetOutcomes() {
					rows = append(rows, []string{o.GetSource(), words(o.GetCondition()), words(o.GetKind()), words(o.GetResult()), o.GetNote()})
				}
				p.table([]string{"source", "condition", "kind", "result", "note"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	cmd.Flags().Int32Var(&request.PageSize, "page-size", 0, "at most this many; 0 means 50")
	cmd.Flags().StringVar(&request.PageToken, "page-token", "", "token of the page before")
	return cmd
}
