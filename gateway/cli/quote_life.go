package cli

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func quoteIssue(c *connection) *cobra.Command {
	var v quoteView
	cmd := &cobra.Command{
		Use: "issue DRAFT", Short: "Issue a draft as a quote",
		Long: `Issue weighs a draft anew, decides every listing again, holds what the plans buy
first, takes a number and opens the quote. It says what has changed since.`,
		Example: "  beltwright quote issue quotes/D-2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("DRAFT"),
	}
	id := bindRequestID(cmd)
	v.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &quotev1.IssueQuoteRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.IssueQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).IssueQuote(ctx, request)
		}, func(p *printer, answer *quotev1.IssueQuoteResponse) { v.after(p, answer.GetQuote()) })
	}
	return cmd
}

func quoteRevise(c *connection) *cobra.Command {
	var q quoteFlags
	var v quoteView
	cmd := &cobra.Command{
		Use: "revise QUOTE", Short: "Make a new version of a quote",
		Long: `Revise issues a new version of an open, expired or declined quote: as it was asked
for, but for the flags of "quote" that are given. --supply and --also, if given, state
all of the supplies or further parts anew. Holds go over to the new version where it buys the
same listings first; the others are given back. It says what is different.`,
		Example: `  beltwright quote revise quotes/Q-2026-000001 --day-cost 45.00`,
		Args:    arguments("QUOTE"),
	}
	q.bind(cmd)
	id := bindRequestID(cmd)
	v.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		figures, err := q.changed(c, cmd, args[0])
		if err != nil {
			return err
		}
		request := &quotev1.ReviseQuoteRequest{Name: args[0], Prepare: figures, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ReviseQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).ReviseQuote(ctx, request)
		}, func(p *printer, answer *quotev1.ReviseQuoteResponse) { v.show(p, answer.GetQuote()) })
	}
	return cmd
}

// authorizationFlags say who allowed the work.
type authorizationFlags struct {
	by, method, at, upTo, note string
	usedPart                   bool
}

func (a *authorizationFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&a.by, "by", "", "who allowed the work")
	flags.StringVar(&a.method, "method", "", "how: signed, written or spoken")
	flags.StringVar(&a.at, "at", "", "when, such as 2026-03-10T09:30:00Z; now if neither this nor --request-id is given")
	flags.StringVar(&a.upTo, "up-to", "", "most that may be spent, in the quote's currency; the quoted total if not given")
	flags.StringVar(&a.note, "note", "", "remark, such as by what line it was spoken")
	flags.BoolVar(&a.usedPart, "used-part", false, "the customer allows a used part to be fitted")
}

// authorization reads the flags; nil where none is given. A repeat must say the same
// time as before, so a write with a request id of its own states it.
func (a *authorizationFlags) authorization(c *connection, cmd *cobra.Command, name string, id *requestID) (*quotev1.Authorization, error) {
	if *a == (authorizationFlags{}) {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	if a.at == "" && id.given != "" {
		return nil, usageError{errors.New("--at: is missing; with --request-id say when it was allowed, so that a repeat says the same")}
	}
	method, err := enum("--method", a.method, quotev1.Authorization_METHOD_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	at := time.Now()
	if a.at != "" {
		if at, err = time.Parse(time.RFC3339, a.at); err != nil {
			return nil, usageError{fmt.Errorf("--at: %q is no time; expected one such as 2026-03-10T09:30:00Z", a.at)}
		}
	}
	made := &quotev1.Authorization{By: a.by, Method: quotev1.Authorization_Method(method), Time: timestamppb.New(at), Note: a.note, UsedPart: a.usedPart}
	if a.upTo != "" {
		stored, err := c.storedQuote(cmd.Context(), name)
		if err != nil {
			return nil, err
		}
		if made.UpTo, err = money("up-to", a.upTo, stored.GetCurrencyCode()); err != nil {
			return nil, err
		}
	}
	return made, nil
}

// storedQuote asks the server for a quote.
func (c *connection) storedQuote(ctx context.Context, name string) (*quotev1.Quote, error) {
	answer, err := ask(ctx, c, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.GetQuoteResponse, error) {
		return quotev1.NewQuoteServiceClient(conn).GetQuote(ctx, &quotev1.GetQuoteRequest{Name: name})
	})
	return answer.GetQuote(), err
}

func quoteAccept(c *connection) *cobra.Command {
	var v quoteView
	var a authorizationFlags
	var lines []string
	cmd := &cobra.Command{
		Use: "accept QUOTE", Short: "Accept a quote, or some of its lines, and buy what they hold",
		Long: `Accept decides again, checks the holds, and buys the first listing of every line that
is accepted; the others are declined, and their holds given back. Where the law asks
for the customer's consent, --by, --method and, for a used part, --used-part say who
gave it and how.`,
		Example: `  beltwright quote accept quotes/Q-2026-000001
  beltwright quote accept quotes/Q-2026-000001 --line 1 --by "R. Ash" --method signed --up-to 600.00 --used-part`,
		Args: arguments("QUOTE"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringSliceVar(&lines, "line", nil, "number of a line that is accepted (repeatable); all if none is given")
	a.bind(cmd)
	v.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		numbers, err := lineNumbers(lines)
		if err != nil {
			return err
		}
		request := &quotev1.AcceptQuoteRequest{Name: args[0], Lines: numbers, RequestId: id.text()}
		if request.Authorization, err = a.authorization(c, cmd, args[0], id); err != nil {
			return err
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.AcceptQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).AcceptQuote(ctx, request)
		}, func(p *printer, answer *quotev1.AcceptQuoteResponse) { v.after(p, answer.GetQuote()) })
	}
	return cmd
}

func quoteDecline(c *connection) *cobra.Command {
	var v quoteView
	var reason string
	cmd := &cobra.Command{
		Use: "decline QUOTE", Short: "Decline a quote and release its holds",
		Long:    "Decline closes the quote, or a draft, and gives its holds back.",
		Example: `  beltwright quote decline quotes/Q-2026-000001 --reason "too dear"`,
		Args:    arguments("QUOTE"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringVar(&reason, "reason", "", "why")
	v.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &quotev1.DeclineQuoteRequest{Name: args[0], Reason: reason, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.DeclineQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).DeclineQuote(ctx, request)
		}, func(p *printer, answer *quotev1.DeclineQuoteResponse) { v.after(p, answer.GetQuote()) })
	}
	return cmd
}
