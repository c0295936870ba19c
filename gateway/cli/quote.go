package cli

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func quoteCommand(c *connection) *cobra.Command {
	var q quoteFlags
	var v quoteView
	cmd := &cobra.Command{
		Use:   "quote",
		Short: "Weigh used, remanufactured and new for a repair, and quote the plan",
		Long: `Quote weighs the listings that fit and the suppliers' offers for one need by landed
cost, chance of passing the arrival check and days, and makes the buying plan.
What the gate keeps out is listed with the reason; no price lets it in.

With --also, further parts of the same repair become lines of the same quote: their
sellers are chosen together, since each charges its freight once. Limits filter what
may be chosen between; they weigh nothing.

Without --dry-run it holds the plan's first listing of every line, takes a number and
stores the quote; with --draft it only stores, for "quote issue" later. "quote accept"
buys, "quote decline" releases, "quote revise" makes a new version.`,
		Example: `  beltwright quote --make Tarvena --model Solane --year 2006 --drive-side left --body saloon \
    --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA --currency USD --day-cost 30.00 \
    --tax 7.25 --hourly-rate 128.00 --fit-minutes 70 --check-minutes 15 --dry-run
  beltwright quote --make Tarvena --model Solane --year 2006 --drive-side left --body saloon \
    --kind driver-air-bag --jurisdiction US-WA --also kind=clock-spring,fit-minutes=30 \
    --supply "thread lock=3.00" --deadline 7 --late-cost 60.00 --draft`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			request, err := q.request(c, cmd)
			if err != nil {
				return err
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.PrepareQuoteResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).PrepareQuote(ctx, request)
			}, func(p *printer, answer *quotev1.PrepareQuoteResponse) { v.show(p, answer.GetQuote()) })
		},
	}
	q.bind(cmd)
	cmd.Flags().BoolVar(&q.dryRun, "dry-run", false, "weigh only: no hold, no number, nothing stored")
	cmd.Flags().BoolVar(&q.draft, "draft", false, "store a draft: no hold, no number")
	q.id = bindRequestID(cmd)
	v.bind(cmd)
	cmd.AddCommand(quoteShow(c), quoteList(c), quoteIssue(c), quoteRevise(c), quoteAccept(c), quoteDecline(c), quotePrint(c))
	return cmd
}

func quoteShow(c *connection) *cobra.Command {
	var v quoteView
	cmd := &cobra.Command{
		Use: "show QUOTE", Aliases: []string{"get"}, Short: "Show one quote",
		Long:    "Show shows one of your quotes. With --why it says how every number came about.",
		Example: "  beltwright quote show quotes/Q-2026-000001 --why",
		Args:    arguments("QUOTE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.GetQuoteResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).GetQuote(ctx, &quotev1.GetQuoteRequest{Name: args[0]})
			}, func(p *printer, answer *quotev1.GetQuoteResponse) { v.show(p, answer.GetQuote()) })
		},
	}
	v.bind(cmd)
	return cmd
}

func quoteList(c *connection) *cobra.Command {
	var request quotev1.ListQuotesRequest
	var state string
	cmd := &cobra.Command{
		Use: "list", Short: "List your quotes",
		Long: `List shows your quotes, drafts first, in the order of their numbers: all of them, or
those in one state, of one customer, or prepared in some days.`,
		Example: `  beltwright quote list --state open --customer "R. Ash"
  beltwright quote list --from 2026-01-01 --to 2026-03-31`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			number, err := enum("--state", state, quotev1.Quote_STATE_UNSPECIFIED)
			if err != nil {
				return err
			}
			request.State = quotev1.Quote_State(number)
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListQuotesResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).ListQuotes(ctx, &request)
			}, showQuotes)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&state, "state", "", "only quotes in this state: draft, open, accepted, partly-accepted, declined, expired or superseded")
	flags.StringVar(&request.Customer, "customer", "", "only quotes of this customer")
	flags.StringVar(&request.FromDay, "from", "", "only quotes prepared on this day or later, YYYY-MM-DD")
	flags.StringVar(&request.ToDay, "to", "", "only quotes prepared on this day or earlier, YYYY-MM-DD")
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}
