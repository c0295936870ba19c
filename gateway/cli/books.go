package cli

import (
	"context"
	"errors"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/content"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func booksCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "books",
		Short: "Book what was really paid; totals, margins, deposits, ledger",
		Long: `Books keeps what was really paid against what was quoted: payments, refunds, credit
notes and deposits on old parts, each on an accepted quote. Entries are never
changed; a wrong one is reversed by another.`,
		Example: "  beltwright books sum --state accepted",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(booksRecord(c), booksReverse(c), booksEntries(c), booksSum(c), booksCores(c), booksLedger(c), booksCreditNote(c))
	return cmd
}

// bookFlags are what entries have beside their kind and quote.
type bookFlags struct {
	source, amount, currency, day, note string
	id                                  *requestID
}

func (b *bookFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&b.amount, "amount", "", "amount, such as 128.00")
	flags.StringVar(&b.currency, "currency", "USD", "the quote's currency, ISO 4217")
	b.bindRest(cmd)
}

func (b *bookFlags) bindRest(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&b.day, "day", "", "day of the booking, `YYYY-MM-DD` (default today)")
	flags.StringVar(&b.note, "note", "", "remarks")
	b.id = bindRequestID(cmd)
}

// entry is what the flags say.
func (b *bookFlags) entry(now time.Time) (*quotev1.Entry, error) {
	value, err := money("amount", b.amount, b.currency)
	if err != nil {
		return nil, err
	}
	if b.day == "" {
		b.day = now.Format(time.DateOnly)
	}
	return &quotev1.Entry{Source: b.source, Amount: value, CurrencyCode: b.currency, Day: b.day, Note: b.note}, nil
}

func (b *bookFlags) record(c *connection, cmd *cobra.Command, entry *quotev1.Entry) error {
	request := &quotev1.RecordEntryRequest{Entry: entry, RequestId: b.id.text()}
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.RecordEntryResponse, error) {
		return quotev1.NewBooksServiceClient(conn).RecordEntry(ctx, request)
	}, func(p *printer, answer *quotev1.RecordEntryResponse) { showEntry(p, answer.GetEntry()) })
}

func booksRecord(c *connection) *cobra.Command {
	var b bookFlags
	cmd := &cobra.Command{
		Use: "record KIND QUOTE", Short: "Book a payment, refund or deposit on an accepted quote",
		Long: `Record books one amount on an accepted quote. KIND says which way it went:

  paid             to a seller, deposit and tax included (--source)
  refunded         back from a seller (--source)
  received         from the customer
  core-returned    a deposit that a seller gave back for the old part (--source)
  core-forfeited   a deposit that will not come back (--source)

Credit notes are given by "books credit-note give", and wrong entries taken back by
"books reverse".`,
		Example: `  beltwright books record paid quotes/Q-2026-000001 --source listings/kettlewick.SOLANE-1 --amount 194.61
  beltwright books record received quotes/Q-2026-000001 --amount 375.61`,
		Args: arguments("KIND", "QUOTE"),
	}
	b.bind(cmd)
	cmd.Flags().StringVar(&b.source, "source", "", "listing or offer that it belongs to")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		kind, err := enum("KIND", args[0], quotev1.Entry_KIND_UNSPECIFIED)
		if err != nil {
			return err
		}
		entry, err := b.entry(time.Now())
		if err != nil {
			return err
		}
		entry.Kind, entry.Quote = quotev1.Entry_Kind(kind), args[1]
		return b.record(c, cmd, entry)
	}
	return cmd
}

func booksReverse(c *connection) *cobra.Command {
	var b bookFlags
	cmd := &cobra.Command{
		Use: "reverse ENTRY", Short: "Take a wrong entry back",
		Long: `Reverse books the opposite of an entry, whole, so that neither counts. An entry is
reversed once at most, and a reversal never; book the right amount anew.`,
		Example: `  beltwright books reverse entries/Q-2026-000001.0002 --note "wrong amount"`,
		Args:    arguments("ENTRY"),
	}
	b.bindRest(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		entry, err := b.entry(time.Now())
		if err != nil {
			return err
		}
		entry.Kind, entry.Reverses = quotev1.Entry_REVERSAL, args[0]
		return b.record(c, cmd, entry)
	}
	return cmd
}

func booksCreditNote(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "credit-note", Short: "Give the customer credit, with a number, and print it",
		Long:    "Credit-note gives credit notes. They are numbered without gaps in a business and year.",
		Example: `  beltwright books credit-note give quotes/Q-2026-000001 --amount 20.00 --note "goodwill"`,
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(booksCreditNoteGive(c), booksCreditNotePrint(c))
	return cmd
}

func booksCreditNoteGive(c *connection) *cobra.Command {
	var b bookFlags
	cmd := &cobra.Command{
		Use: "give QUOTE", Short: "Give a credit note on an accepted quote",
		Long: `Give books a credit note, at most of what the customer paid. Its reason, --note,
stands on it.`,
		Example: `  beltwright books credit-note give quotes/Q-2026-000001 --amount 20.00 --note "goodwill"`,
		Args:    arguments("QUOTE"),
	}
	b.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		entry, err := b.entry(time.Now())
		if err != nil {
			return err
		}
		entry.Kind, entry.Quote = quotev1.Entry_CREDIT_NOTE, args[0]
		return b.record(c, cmd, entry)
	}
	return cmd
}

func showEntry(p *printer, e *quotev1.Entry) {
	text := words(e.GetKind())
	if e.GetNumber() != "" {
		text += " " + e.GetNumber()
	}
	p.linef("%s: %s, %s on %s, %s", e.GetName(), text, cash(e.GetAmount(), e.GetCurrencyCode()), e.GetQuote(), e.GetDay())
}

func booksEntries(c *connection) *cobra.Command {
	var request quotev1.ListEntriesRequest
	cmd := &cobra.Command{
		Use: "entries", Short: "List what was booked", Long: "Entries shows what was booked, by quote and in the order of booking.",
		Example: "  beltwright books entries --quote quotes/Q-2026-000001",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListEntriesResponse, error) {
				return quotev1.NewBooksServiceClient(conn).ListEntries(ctx, &request)
			}, showEntries)
		},
	}
	cmd.Flags().Int32Var(&request.PageSize, "page-size", 0, "at most this many; 0 means 50")
	cmd.Flags().StringVar(&request.PageToken, "page-token", "", "token of the page before")
	cmd.Flags().StringVar(&request.Quote, "quote", "", "only entries of this quote")
	return cmd
}

func showEntries(p *printer, answer *quotev1.ListEntriesResponse) {
	rows := make([][]string, 0, len(answer.GetEntries()))
	for _, e := range answer.GetEntries() {
		about := e.GetSource()
		if e.GetReverses() != "" {
			about = e.GetReverses()
		}
		rows = append(rows, []string{e.GetDay(), e.GetName(), words(e.GetKind()), e.GetNumber(), cash(e.GetAmount(), e.GetCurrencyCode()), about, e.GetNote()})
	}
	p.table([]string{"day", "entry", "kind", "number", "amount", "about", "note"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}

func booksSum(c *connection) *cobra.Command {
	var request quotev1.SumQuotesRequest
	var state string
	var why bool
	cmd := &cobra.Command{
		Use: "sum", Short: "Totals and margins of quotes",
		Long: `Sum lists quotes with what was booked on each: what was quoted, received, credited,
paid and paid back, the margin that is left and the one that was expected, and the
deposits that are out; then a total for each state and currency.`,
		Example: "  beltwright books sum --state accepted --from 2026-01-01 --to 2026-12-31 --why",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			number, err := enum("--state", state, quotev1.Quote_STATE_UNSPECIFIED)
			if err != nil {
				return err
			}
			request.State = quotev1.Quote_State(number)
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.SumQuotesResponse, error) {
				return quotev1.NewBooksServiceClient(conn).SumQuotes(ctx, &request)
			}, func(p *printer, answer *quotev1.SumQuotesResponse) { showSums(p, answer, why) })
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&state, "state", "", "only quotes in this `state`, such as accepted or open")
	flags.StringVar(&request.Customer, "customer", "", "only quotes of this customer")
	flags.StringVar(&request.FromDay, "from", "", "only quotes prepared on this day or later, `YYYY-MM-DD`")
	flags.StringVar(&request.ToDay, "to", "", "only quotes prepared on this day or earlier, `YYYY-MM-DD`")
	flags.BoolVar(&why, "why", false, "say how each number came about")
	return cmd
}

func showSums(p *printer, answer *quotev1.SumQuotesResponse, why bool) {
	header := []string{"quote", "state", "customer", "quoted", "received", "credited", "paid", "refunded", "margin", "expected", "deposits out"}
	rows := make([][]string, 0, len(answer.GetQuotes())+len(answer.GetTotals()))
	for _, q := range answer.GetQuotes() {
		in := func(value int64) string { return cash(value, q.GetCurrencyCode()) }
		rows = append(rows, []string{
			q.GetQuote(), words(q.GetState()), q.GetCustomer(), in(q.GetQuoted()), in(q.GetReceived()), in(q.GetCredited()),
			in(q.GetPaid()), in(q.GetRefunded()), in(q.GetMargin()), in(q.GetExpectedMargin()), in(q.GetCoresOut()),
		})
	}
	p.table(header, rows)
	if answer.GetLimited() != "" {
		p.linef("%s", answer.GetLimited())
	}
	rows = rows[:0]
	for _, t := range answer.GetTotals() {
		in := func(value int64) string { return cash(value, t.GetCurrencyCode()) }
		rows = append(rows, []string{
			words(t.GetState()), strconv.FormatInt(t.GetQuotes(), 10), in(t.GetQuoted()), in(t.GetReceived()), in(t.GetCredited()),
			in(t.GetPaid()), in(t.GetRefunded()), in(t.GetMargin()),
		})
	}
	if len(rows) > 0 {
		p.linef("in all")
		p.table([]string{"state", "quotes", "quoted", "received", "credited", "paid", "refunded", "margin"}, rows)
	}
	if !why {
		return
	}
	for _, q := range answer.GetQuotes() {
		showWorkings(p, q.GetQuote(), q.GetWorkings())
	}
}

func booksCores(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "cores", Short: "Deposits on old parts that are out",
		Long: `Cores lists the deposits that sellers still have, the earliest due first, and what
must be known of sending the old part.`,
		Example: "  beltwright books cores",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListCoreDepositsResponse, error) {
				return quotev1.NewBooksServiceClient(conn).ListCoreDeposits(ctx, &quotev1.ListCoreDepositsRequest{})
			}, showCores)
		},
	}
}

func showCores(p *printer, answer *quotev1.ListCoreDepositsResponse) {
	if len(answer.GetDeposits()) == 0 {
		p.linef("no deposits are out")
		return
	}
	rows := make([][]string, 0, len(answer.GetDeposits()))
	var sending []string
	known := make(map[string]bool)
	for _, d := range answer.GetDeposits() {
		due := d.GetDueDay()
		switch {
		case due == "":
			due = "not stated"
		case d.GetOverdue():
			due += " (overdue)"
		}
		rows = append(rows, []string{due, cash(d.GetAmount(), d.GetCurrencyCode()), d.GetSource(), d.GetSeller(), d.GetQuote()})
		if text := d.GetTransport(); text != "" && !known[text] {
			known[text] = true
			sending = append(sending, text)
		}
	}
	p.table([]string{"due", "deposit", "source", "seller", "quote"}, rows)
	p.list("sending old parts", sending)
}

func booksLedger(c *connection) *cobra.Command {
	var request quotev1.ExportLedgerRequest
	var out string
	cmd := &cobra.Command{
		Use: "ledger", Short: "Export the entries of a period as CSV",
		Long: `Ledger writes entries as CSV for a bookkeeper's program: two rows an entry, one
debited and one credited, by day. Its columns are day, entry, kind, number, quote,
customer, source, seller, account, debit, credit, currency, note, reverses and
recorded. Texts that a spreadsheet might run as a formula begin with an apostrophe.`,
		Example: "  beltwright books ledger --from 2026-01-01 --to 2026-12-31 --out ledger.csv",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return c.getLedger(cmd, &request, out) },
	}
	flags := cmd.Flags()
	flags.StringVar(&request.FromDay, "from", "", "first day, `YYYY-MM-DD` (default the first entry's)")
	flags.StringVar(&request.ToDay, "to", "", "last day, `YYYY-MM-DD` (default the last entry's)")
	flags.StringVarP(&out, "out", "o", "-", "`file` to write, which must not exist yet; - is standard output")
	return cmd
}

func (c *connection) getLedger(cmd *cobra.Command, request *quotev1.ExportLedgerRequest, out string) (err error) {
	ctx, conn, err := c.open(cmd.Context())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	from, err := content.Ledger(ctx, conn, request)
	if err != nil {
		return err
	}
	if out == "-" {
		_, err := io.Copy(cmd.OutOrStdout(), from)
		return err
	}
	return writeNew(out, from)
}
