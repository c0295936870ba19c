package cli

import (
	"bytes"
	"context"
	"fmt"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/document"
)

// documented is the answer of an RPC that renders a document.
type documented interface {
	proto.Message
	GetDocument() *fitmentv1.Document
}

// printFlags say what a document is laid out for and where it goes.
type printFlags struct{ paper, out string }

func (f *printFlags) bind(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.paper, "paper", "a4", "`paper`: a4 or letter")
	cmd.Flags().StringVarP(&f.out, "out", "o", "", "`file` to write, which must not exist; - is standard output (default by the record's name)")
}

func (f *printFlags) size() (fitmentv1.Document_Paper, error) {
	size, err := enum("--paper", f.paper, fitmentv1.Document_PAPER_UNSPECIFIED)
	return fitmentv1.Document_Paper(size), err
}

// fileShape is what a record's id may be to name a file.
var fileShape = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,199}$`)

// file is the file to write: the user's, or one named by the record's id, which is
// the user's word too: a server names no file here.
func (f *printFlags) file(name, what, ending string) (string, error) {
	if f.out != "" {
		return f.out, nil
	}
	_, id, named := strings.Cut(name, "/")
	if !named || !fileShape.MatchString(id) {
		return "", usageError{fmt.Errorf("%s names no file; expected a name such as %s/ID, or --out FILE", name, what)}
	}
	return id + ending, nil
}

// render asks for a document and writes it.
func render[Res documented](
	c *connection, cmd *cobra.Command, file string, do func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error),
) error {
	var made *fitmentv1.Document
	quiet := *c
	quiet.asJSON = false // the answer holds the file itself
	err := call(&quiet, cmd, do, func(p *printer, answer Res) {
		made = answer.GetDocument()
		if file == "-" {
			p.text(string(made.GetContent()))
		}
	})
	if err != nil || file == "-" {
		return err
	}
	if err := writeNew(file, bytes.NewReader(made.GetContent())); err != nil {
		return err
	}
	said := &fitmentv1.Document{ContentType: made.GetContentType(), FileName: file}
	return c.print(cmd, said, func(p *printer) {
		p.linef("%s: %s, %d bytes", file, made.GetContentType(), len(made.GetContent()))
	})
}

func quotePrint(c *connection) *cobra.Command {
	var f printFlags
	var format string
	cmd := &cobra.Command{
		Use: "print QUOTE", Short: "Print a quote as PDF, CSV or JSON",
		Long: `Print writes a quote into a file. The PDF is for the customer: every service and
part with its price, the plan with a picture of what it may cost, the cautions, and
the condition of each part in the words that the law of the places wants. The CSV is
safe to open in a spreadsheet; it has a row a line of the quote, with what is bought
first for it, and these columns, amounts in major units of the currency:

` + sheetHelp(),
		Example: "  beltwright quote print quotes/Q-2026-000001 --paper letter -o quote.pdf\n  beltwright quote print quotes/Q-2026-000001 --format csv -o -",
		Args:    arguments("QUOTE"),
	}
	f.bind(cmd)
	cmd.Flags().StringVar(&format, "format", "pdf", "`format`: pdf, csv or json")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		size, err := f.size()
		if err != nil {
			return err
		}
		form, err := enum("--format", format, quotev1.RenderQuoteRequest_FORMAT_UNSPECIFIED)
		if err != nil {
			return err
		}
		file, err := f.file(args[0], "quotes", "."+strings.ToLower(format))
		if err != nil {
			return err
		}
		request := &quotev1.RenderQuoteRequest{Name: args[0], Format: quotev1.RenderQuoteRequest_Format(form), Paper: size}
		return render(c, cmd, file, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.RenderQuoteResponse, error) {
			return quotev1.NewQuoteServiceClient(conn).RenderQuote(ctx, request)
		})
	}
	return cmd
}

// sheetHelp explains the columns of a quote's sheet, one a line.
func sheetHelp() string {
	var text strings.Builder
	for _, column := range document.Columns() {
		fmt.Fprintf(&text, "  %-16s %s\n", column.Name, column.Help)
	}
	return strings.TrimRight(text.String(), "\n")
}

// pdfPrint makes a command that prints one record as PDF.
func pdfPrint[Res documented](
	c *connection, cmd *cobra.Command, what string,
	do func(ctx context.Context, conn grpc.ClientConnInterface, name string, size fitmentv1.Document_Paper) (Res, error),
) *cobra.Command {
	var f printFlags
	f.bind(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		size, err := f.size()
		if err != nil {
			return err
		}
		ending := ".pdf"
		if verb := cmd.Name(); verb != "print" {
			ending = "-" + verb + ending // one listing has several papers
		}
		file, err := f.file(args[0], what, ending)
		if err != nil {
			return err
		}
		return render(c, cmd, file, func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error) {
			return do(ctx, conn, args[0], size)
		})
	}
	return cmd
}

func listingTag(c *connection) *cobra.Command {
	return pdfPrint(c, &cobra.Command{
		Use: "tag LISTING", Short: "Print the tag of one of your parts",
		Long: `Tag writes a PDF with the stock number, what the part is and where it is from, how to
handle it, and a QR code that opens the listing. Only the yard prints it; the donor's
VIN is masked on it.`,
		Example: "  beltwright listing tag listings/kettlewick.SOLANE-1 -o tag.pdf",
		Args:    arguments("LISTING"),
	}, "listings", func(ctx context.Context, conn grpc.ClientConnInterface, name string, size fitmentv1.Document_Paper) (*fitmentv1.RenderTagResponse, error) {
		return fitmentv1.NewListingServiceClient(conn).RenderTag(ctx, &fitmentv1.RenderTagRequest{Name: name, Paper: size})
	})
}

func listingShipping(c *connection) *cobra.Command {
	var mode string
	var toRecycler bool
	cmd := &cobra.Command{
		Use: "shipping LISTING", Short: "Print what the papers of a shipment must say",
		Long: `Shipping writes a PDF with what is known of shipping a part: whether it may travel so,
what is still to be settled, and what papers and package must say, each with its
source. It is no shipping paper: somebody trained makes that out.`,
		Example: "  beltwright listing shipping listings/kettlewick.SOLANE-1 --mode road -o facts.pdf",
		Args:    arguments("LISTING"),
	}
	cmd.Flags().StringVar(&mode, "mode", "road", "`mode`: road, passenger-aircraft, cargo-aircraft, sea or hand-over")
	cmd.Flags().BoolVar(&toRecycler, "to-recycler", false, "it goes to a recycling facility and not to a buyer")
	return pdfPrint(c, cmd, "listings", func(ctx context.Context, conn grpc.ClientConnInterface, name string, size fitmentv1.Document_Paper) (*fitmentv1.RenderShippingFactsResponse, error) {
		return fitmentv1.NewListingServiceClient(conn).RenderShippingFacts(ctx, &fitmentv1.RenderShippingFactsRequest{
			Name: name, Paper: size, Mode: mode, ToRecycler: toRecycler,
		})
	})
}

func booksCreditNotePrint(c *connection) *cobra.Command {
	return pdfPrint(c, &cobra.Command{
		Use: "print ENTRY", Short: "Print a credit note, or the record of a refund",
		Long:    "Print writes a credit note as PDF, or the record of what a seller paid back.",
		Example: "  beltwright books credit-note print entries/Q-2026-000001.0003 -o credit.pdf",
		Args:    arguments("ENTRY"),
	}, "entries", func(ctx context.Context, conn grpc.ClientConnInterface, name string, size fitmentv1.Document_Paper) (*quotev1.RenderCreditNoteResponse, error) {
		return quotev1.NewBooksServiceClient(conn).RenderCreditNote(ctx, &quotev1.RenderCreditNoteRequest{Name: name, Paper: size})
	})
}

func repairPrint(c *connection) *cobra.Command {
	return pdfPrint(c, &cobra.Command{
		Use: "print ORDER", Short: "Print the record of a repair",
		Long:    "Print writes a repair order as PDF, from the complaint to the proof of repair and the warranty.",
		Example: "  beltwright repair print repairOrders/R-2026-000001 -o repair.pdf",
		Args:    arguments("ORDER"),
	}, "repairOrders", func(ctx context.Context, conn grpc.ClientConnInterface, name string, size fitmentv1.Document_Paper) (*quotev1.RenderRepairOrderResponse, error) {
		return quotev1.NewRepairServiceClient(conn).RenderRepairOrder(ctx, &quotev1.RenderRepairOrderRequest{Name: name, Paper: size})
	})
}
