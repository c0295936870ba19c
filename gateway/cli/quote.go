package cli

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// quoteFlags are the shop's figures.
type quoteFlags struct {
	need                                    needFlags
	currency, dayCost, tax, rate, reference string
	fitMinutes, checkMinutes, validHours    int32
	dryRun                                  bool
	id                                      *requestID
}

func quoteCommand(c *connection) *cobra.Command {
	var q quoteFlags
	cmd := &cobra.Command{
		Use:   "quote",
		Short: "Weigh used, remanufactured and new for a need, and quote the plan",
		Long: `Quote weighs the listings that fit and the suppliers' offers for one need by landed
cost, chance of passing the arrival check and days, and makes the buying plan.
What the gate keeps out is listed with the reason; no price lets it in.

Without --dry-run it holds the plan's first listing, takes a number and stores the
quote. "quote accept" buys, "quote decline" releases.`,
		Example: `  beltwright quote --make Tarvena --model Solane --year 2006 --drive-side left --body saloon \
    --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA --currency USD --day-cost 30.00 \
    --tax 7.25 --hourly-rate 128.00 --fit-minutes 70 --check-minutes 15 --dry-run`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			request, err := q.request(c, cmd)
			if err != nil {
				return err
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.PrepareQuoteResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).PrepareQuote(ctx, request)
			}, func(p *printer, answer *quotev1.PrepareQuoteResponse) { showQuote(p, answer.GetQuote()) })
		},
	}
	q.bind(cmd)
	cmd.AddCommand(quoteGet(c), quoteList(c), quoteAccept(c), quoteDecline(c), quotePrint(c))
	return cmd
}

func (q *quoteFlags) bind(cmd *cobra.Command) {
	q.need.bind(cmd)
	flags := cmd.Flags()
	flags.StringVar(&q.currency, "currency", "USD", "currency of every amount, ISO 4217")
	flags.StringVar(&q.dayCost, "day-cost", "", "what a day without the vehicle costs, such as 30.00")
	flags.StringVar(&q.tax, "tax", "", "tax on price and core deposit, in percent, such as 7.25")
	flags.StringVar(&q.rate, "hourly-rate", "", "the shop's rate an hour, such as 128.00")
	flags.Int32Var(&q.fitMinutes, "fit-minutes", 0, "minutes to fit the part and to prove the repair")
	flags.Int32Var(&q.checkMinutes, "check-minutes", 0, "minutes of the arrival check")
	flags.Int32Var(&q.validHours, "valid-hours", 0, "how long the quote and its hold are good; 0 means 72")
	flags.StringVar(&q.reference, "reference", "", "your own reference")
	flags.BoolVar(&q.dryRun, "dry-run", false, "weigh only: no hold, no number, nothing stored")
	q.id = bindRequestID(cmd)
}

func (q *quoteFlags) request(c *connection, cmd *cobra.Command) (*quotev1.PrepareQuoteRequest, error) {
	need, err := q.need.need(c, cmd)
	if err != nil {
		return nil, err
	}
	dayCost, err := money("day-cost", q.dayCost, q.currency)
	if err != nil {
		return nil, err
	}
	rate, err := money("hourly-rate", q.rate, q.currency)
	if err != nil {
		return nil, err
	}
	request := &quotev1.PrepareQuoteRequest{
		Need: need, CurrencyCode: q.currency, DayCost: dayCost, TaxPercent: q.tax,
		Labour:     &quotev1.Labour{FitMinutes: q.fitMinutes, CheckMinutes: q.checkMinutes, HourlyRate: rate},
		ValidHours: q.validHours, Reference: q.reference, DryRun: q.dryRun,
	}
	if !q.dryRun {
		request.RequestId = q.id.text()
	}
	return request, nil
}

func quoteGet(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "get QUOTE", Short: "Show one quote", Long: "Get shows one of your quotes.",
		Example: "  beltwright quote get quotes/Q-2026-000001",
		Args:    arguments("QUOTE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.GetQuoteResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).GetQuote(ctx, &quotev1.GetQuoteRequest{Name: args[0]})
			}, func(p *printer, answer *quotev1.GetQuoteResponse) { showQuote(p, answer.GetQuote()) })
		},
	}
}

func quoteList(c *connection) *cobra.Command {
	var request quotev1.ListQuotesRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List your quotes", Long: "List shows your quotes in the order of their numbers.",
		Example: "  beltwright quote list",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListQuotesResponse, error) {
				return quotev1.NewQuoteServiceClient(conn).ListQuotes(ctx, &request)
			}, showQuotes)
		},
	}
	cmd.Flags().Int32Var(&request.PageSize, "page-size", 0, "at most this many; 0 means 50")
	cmd.Flags().StringVar(&request.PageToken, "page-token", "", "token of the page before")
	return cmd
}

func quoteAccept(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "accept QUOTE", Short: "Accept a quote and buy the plan's first part",
		Long:    "Accept decides again, checks the hold, and buys the plan's first listing where it is one.",
		Example: "  beltwright quote accept quotes/Q-2026-000001",
		Args:    arguments("QUOTE"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &quotev1.AcceptQuoteRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.AcceptQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).AcceptQuote(ctx, request)
		}, func(p *printer, answer *quotev1.AcceptQuoteResponse) { showQuote(p, answer.GetQuote()) })
	}
	return cmd
}

func quoteDecline(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "decline QUOTE", Short: "Decline a quote and release its hold",
		Long:    "Decline closes the quote and gives its hold back.",
		Example: "  beltwright quote decline quotes/Q-2026-000001",
		Args:    arguments("QUOTE"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &quotev1.DeclineQuoteRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.DeclineQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).DeclineQuote(ctx, request)
		}, func(p *printer, answer *quotev1.DeclineQuoteResponse) { showQuote(p, answer.GetQuote()) })
	}
	return cmd
}

// localTime is a time as the clock on the wall here says it.
func localTime(t time.Time) string {
	return t.Local().Format("2006-01-02 15:04 MST") //nolint:gosmopolitan // for the person at this terminal
}

func showQuote(p *printer, q *quotev1.Quote) {
	title := "dry run: nothing held, nothing stored"
	if q.GetNumber() != "" {
		title = fmt.Sprintf("quote %s (%s), %s, good until %s", q.GetNumber(), q.GetName(), words(q.GetState()), localTime(q.GetValidUntil().AsTime()))
	}
	p.linef("%s", title)
	p.linef("plan: %s", q.GetPlan().GetWords())
	if len(q.GetPlan().GetDistribution()) > 0 {
		plan, currency := q.GetPlan(), q.GetCurrencyCode()
		p.linef("expected %s and %.1f days; 19 times in 20 at most %s; mean of the worst 1 in 20: %s (days priced in, fitting left out)",
			cash(plan.GetExpectedCost(), currency), plan.GetExpectedDays(), cash(plan.GetQuantile95(), currency), cash(plan.GetCvar95(), currency))
		if plan.GetUnrepairedProbability() > 0 {
			p.linef("chance of ending unrepaired: %.2g %%", plan.GetUnrepairedProbability()*100)
		}
	}
	held := q.GetHeldListing()
	switch {
	case q.GetState() == quotev1.Quote_ACCEPTED && held != "":
		p.linef("bought: %s", held)
	case q.GetState() == quotev1.Quote_ACCEPTED:
		p.linef("to order now: %s", quote.FirstBuy(q.GetOptions()).GetSource())
	case q.GetState() == quotev1.Quote_OPEN && held != "":
		p.linef("held: %s until %s, fence %d", held, localTime(q.GetHold().GetExpireTime().AsTime()), q.GetHold().GetFence())
	}
	showOptions(p, q)
	p.list("notices", q.GetNotices())
}

func showOptions(p *printer, q *quotev1.Quote) {
	rows := make([][]string, 0, len(q.GetOptions()))
	for _, o := range q.GetOptions() {
		role := "not tried"
		switch {
		case o.GetFallback():
			role = "fallback"
		case o.GetPlanPlace() > 0:
			role = strconv.Itoa(int(o.GetPlanPlace()))
		}
		rows = append(rows, []string{
			role, o.GetSource(), words(o.GetCondition()), cash(o.GetPrice(), q.GetCurrencyCode()), cash(o.GetLandedCost(), q.GetCurrencyCode()),
			fmt.Sprintf("%.0f %% (%d of %d passed)", o.GetPassProbability()*100, o.GetPassed(), o.GetOutcomes()), fmt.Sprintf("%d d", o.GetDays()),
		})
	}
	if len(rows) > 0 {
		p.table([]string{"plan", "source", "condition", "price", "landed", "passes its check", "days"}, rows)
	}
	shut := make([]string, 0, len(q.GetExcluded()))
	for _, e := range q.GetExcluded() {
		text := fmt.Sprintf("%s: %s", e.GetSource(), e.GetReason())
		if e.GetRemedy() != "" {
			text += " → " + e.GetRemedy()
		}
		shut = append(shut, text)
	}
	p.list("kept out", shut)
}

func showQuotes(p *printer, answer *quotev1.ListQuotesResponse) {
	rows := make([][]string, 0, len(answer.GetQuotes()))
	for _, q := range answer.GetQuotes() {
		rows = append(rows, []string{
			q.GetName(), q.GetNumber(), words(q.GetState()), cash(q.GetPlan().GetExpectedCost(), q.GetCurrencyCode()),
			localTime(q.GetValidUntil().AsTime()), q.GetReference(),
		})
	}
	p.table([]string{"quote", "number", "state", "expected", "good until", "reference"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}
