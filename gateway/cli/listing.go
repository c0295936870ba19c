package cli

import (
	"cmp"
	"context"
	"errors"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// oneListing is the answer of every call about one listing.
type oneListing interface {
	GetListing() *fitmentv1.Listing
}

// listingAnswer is an answer of the server that carries a listing.
type listingAnswer interface {
	proto.Message
	oneListing
}

// requestID is the id of a write: the user's, or a new one.
type requestID struct{ given string }

// bindRequestID adds the flag that makes a write safe to repeat.
func bindRequestID(cmd *cobra.Command) *requestID {
	id := &requestID{}
	cmd.Flags().StringVar(&id.given, "request-id", "", "`UUID` of this write; give the same one to repeat it safely (default a new one)")
	return id
}

func (r *requestID) text() string { return cmp.Or(r.given, uuid.NewString()) }

func listingCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "listing",
		Short:   "Look at listed parts; hold, release, sell and withdraw them",
		Long:    "Listing looks at listed parts and moves them through their life: available, held, sold, withdrawn; and back, where a part failed its arrival check.",
		Example: "  beltwright listing get listings/kettlewick.SOLANE-1",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(listingGet(c), listingList(c), listingHold(c), listingRelease(c), listingSell(c), listingWithdraw(c), listingTag(c), listingShipping(c), listingReturn(c), listingRelist(c))
	return cmd
}

func listingGet(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "get LISTING", Short: "Show one listing", Long: "Get shows one listing with its evidence and state.",
		Example: "  beltwright listing get listings/kettlewick.SOLANE-1 --json",
		Args:    arguments("LISTING"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetListingResponse, error) {
				return fitmentv1.NewListingServiceClient(conn).GetListing(ctx, &fitmentv1.GetListingRequest{Name: args[0]})
			}, func(p *printer, answer *fitmentv1.GetListingResponse) { showListing(p, answer) })
		},
	}
}

func listingList(c *connection) *cobra.Command {
	var request fitmentv1.ListListingsRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List one yard's stock", Long: "List shows one yard's listings in the order of their stock numbers.",
		Example: "  beltwright listing list --yard kettlewick --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListListingsResponse, error) {
				return fitmentv1.NewListingServiceClient(conn).ListListings(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListListingsResponse) {
				showListings(p, answer)
				if request.GetYard() == "" && len(answer.GetListings()) == 0 {
					p.linef("your business has none; --yard YARD lists those of another")
				}
			})
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&request.Yard, "yard", "", "the yard; empty means your own")
	flags.Int32Var(&request.PageSize, "page-size", 0, "at most this many; 0 means 50")
	flags.StringVar(&request.PageToken, "page-token", "", "token of the page before")
	return cmd
}

func listingHold(c *connection) *cobra.Command {
	var minutes int32
	var fence int64
	cmd := &cobra.Command{
		Use: "hold LISTING", Short: "Reserve a listing for a time",
		Long: `Hold reserves a listing. The answer's fence is the proof of the hold that release
and sell ask for. To extend a hold that your business has, give its fence: the
answer has a new one, and the old one no longer counts.`,
		Example: `  beltwright listing hold listings/kettlewick.SOLANE-1 --minutes 120
  beltwright listing hold listings/kettlewick.SOLANE-1 --minutes 240 --fence 1`,
		Args: arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().Int32Var(&minutes, "minutes", 60, "how long, in minutes")
	cmd.Flags().Int64Var(&fence, "fence", 0, "fence of your own live hold, to extend it (default none)")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.HoldListingRequest{Name: args[0], Minutes: minutes, Fence: fence, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.HoldListingResponse, error) {
			return fitmentv1.NewListingServiceClient(conn).HoldListing(ctx, request)
		}, func(p *printer, answer *fitmentv1.HoldListingResponse) { showListing(p, answer) })
	}
	return cmd
}

func listingRelease(c *connection) *cobra.Command {
	var fence int64
	cmd := &cobra.Command{
		Use: "release LISTING", Short: "Give a hold back", Long: "Release gives a hold back before it runs out.",
		Example: "  beltwright listing release listings/kettlewick.SOLANE-1 --fence 1",
		Args:    arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().Int64Var(&fence, "fence", 0, "fence of the hold")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.ReleaseListingRequest{Name: args[0], Fence: fence, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ReleaseListingResponse, error) {
			return fitmentv1.NewListingServiceClient(conn).ReleaseListing(ctx, request)
		}, func(p *printer, answer *fitmentv1.ReleaseListingResponse) { showListing(p, answer) })
	}
	return cmd
}

func listingSell(c *connection) *cobra.Command {
	var need needFlags
	var fence int64
	cmd := &cobra.Command{
		Use: "sell LISTING", Short: "Buy a listing that you hold",
		Long: `Sell closes the sale of a held listing to its holder. The need is decided again in
the same step: what does not fit, is barred, or is not proven is not sold.`,
		Example: `  beltwright listing sell listings/kettlewick.SOLANE-1 --fence 1 --make Tarvena --model Solane \
    --year 2006 --drive-side left --body saloon --kind buckle-pretensioner --row 1 --side right \
    --jurisdiction US-WA`,
		Args: arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	need.bind(cmd)
	cmd.Flags().Int64Var(&fence, "fence", 0, "fence of the hold")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		n, err := need.need(c, cmd)
		if err != nil {
			return err
		}
		request := &fitmentv1.SellListingRequest{Name: args[0], Fence: fence, Need: n, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.SellListingResponse, error) {
			return fitmentv1.NewListingServiceClient(conn).SellListing(ctx, request)
		}, func(p *printer, answer *fitmentv1.SellListingResponse) { showListing(p, answer) })
	}
	return cmd
}

// etagMissing says where the etag of a listing is read.
func etagMissing() error {
	return usageError{errors.New("--etag: is missing; expected it as \"listing get\" shows it")}
}

func listingWithdraw(c *connection) *cobra.Command {
	return turn(c, &cobra.Command{
		Use: "withdraw LISTING", Short: "Take one of your listings off sale",
		Long:    "Withdraw takes a listing off sale. It needs the etag that was read last, so that nothing is withdrawn unseen.",
		Example: `  beltwright listing withdraw listings/kettlewick.KE-0001 --etag '"3f"'`,
	}, func(ctx context.Context, client fitmentv1.ListingServiceClient, name, etag, id string) (*fitmentv1.WithdrawListingResponse, error) {
		return client.WithdrawListing(ctx, &fitmentv1.WithdrawListingRequest{Name: name, Etag: etag, RequestId: id})
	})
}

// turn completes a command that moves one of the yard's listings to another state.
func turn[Res listingAnswer](
	c *connection, cmd *cobra.Command, do func(ctx context.Context, client fitmentv1.ListingServiceClient, name, etag, id string) (Res, error),
) *cobra.Command {
	var etag string
	cmd.Args = arguments("LISTING")
	id := bindRequestID(cmd)
	cmd.Flags().StringVar(&etag, "etag", "", "etag of the listing as last read, which \"listing get\" shows")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		if etag == "" {
			return etagMissing()
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (Res, error) {
			return do(ctx, fitmentv1.NewListingServiceClient(conn), args[0], etag, id.text())
		}, func(p *printer, answer Res) { showListing(p, answer) })
	}
	return cmd
}

func showListing(p *printer, answer oneListing) {
	l := answer.GetListing()
	p.linef("%s   %s   etag %s", l.GetName(), words(l.GetState()), l.GetEtag())
	p.linef("%s %s, %s %s, %s", words(l.GetKind()), place(l.GetPosition()), l.GetPartMaker(), l.GetPartNumber(), cash(l.GetPrice(), l.GetCurrencyCode()))
	donor := l.GetDonor()
	p.linef("from a %d %s %s, VIN %s", donor.GetModelYear(), donor.GetMake(), donor.GetModel(), donor.GetVin())
	showTerms(p, l.GetTerms(), l.GetCurrencyCode())
	if cost := l.GetCostNote(); cost != nil {
		p.linef("cost you %s   %s", cash(cost.GetCost(), l.GetCurrencyCode()), cost.GetNote())
	}
	if hold := l.GetHold(); hold != nil && l.GetState() == fitmentv1.Listing_HELD {
		p.linef("held by %s until %s, fence %d", hold.GetHolder(), localTime(hold.GetExpireTime().AsTime()), hold.GetFence())
	}
	showReturn(p, l)
	showEvidence(p, l.GetEvidence())
}

func showEvidence(p *printer, list []*fitmentv1.Evidence) {
	rows := make([][]string, 0, len(list))
	for _, e := range list {
		rows = append(rows, []string{words(e.GetAttribute()), e.GetValue(), words(e.GetLevel()), e.GetHow(), e.GetBy(), e.GetDate(), strings.Join(e.GetAttachments(), " ")})
	}
	if len(rows) > 0 {
		p.table([]string{"evidence", "value", "level", "how", "by", "day", "shown in"}, rows)
	}
}

func showListings(p *printer, answer *fitmentv1.ListListingsResponse) {
	rows := make([][]string, 0, len(answer.GetListings()))
	for _, l := range answer.GetListings() {
		rows = append(rows, []string{
			l.GetName(), words(l.GetState()), words(l.GetKind()), place(l.GetPosition()), l.GetPartNumber(), cash(l.GetPrice(), l.GetCurrencyCode()),
		})
	}
	p.table([]string{"listing", "state", "kind", "position", "part number", "price"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}
