package cli

import (
	"context"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func needCommand(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use:     "need",
		Short:   "Keep needs, and watch for donors",
		Long:    "Need keeps what a vehicle lacks, so that donors can be watched for: listings that fit are told as they come.",
		Example: "  beltwright need list",
		Args:    noArguments,
		RunE:    func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(needSave(c), needList(c), needShow(c), needDelete(c), needWatch(c))
	return cmd
}

func needSave(c *connection) *cobra.Command {
	var need needFlags
	var note string
	cmd := &cobra.Command{
		Use: "save", Short: "Keep a need", Long: "Save keeps a need; the answer's name is what list, watch and delete ask for.",
		Example: `  beltwright need save --make Tarvena --model Solane --year 2006 --drive-side left \
    --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA --note "RO 4711"`,
		Args: noArguments,
	}
	id := bindRequestID(cmd)
	need.describe(cmd)
	cmd.Flags().StringVar(&note, "note", "", "remark")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		n, err := need.described()
		if err != nil {
			return err
		}
		request := &fitmentv1.SaveNeedRequest{Need: n, Note: note, RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.SaveNeedResponse, error) {
			return fitmentv1.NewFitmentServiceClient(conn).SaveNeed(ctx, request)
		}, func(p *printer, answer *fitmentv1.SaveNeedResponse) { showNeed(p, answer.GetSavedNeed()) })
	}
	return cmd
}

func needList(c *connection) *cobra.Command {
	var request fitmentv1.ListSavedNeedsRequest
	cmd := &cobra.Command{
		Use: "list", Short: "List your kept needs", Long: "List shows the needs that your business keeps.",
		Example: "  beltwright need list --page-size 20",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListSavedNeedsResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).ListSavedNeeds(ctx, &request)
			}, func(p *printer, answer *fitmentv1.ListSavedNeedsResponse) {
				rows := make([][]string, 0, len(answer.GetSavedNeeds()))
				for _, saved := range answer.GetSavedNeeds() {
					n := saved.GetNeed()
					rows = append(rows, []string{saved.GetName(), words(n.GetKind()), place(n.GetPosition()), car(n.GetVehicle()), saved.GetNote()})
				}
				p.table([]string{"need", "kind", "position", "vehicle", "note"}, rows)
				if token := answer.GetNextPageToken(); token != "" {
					p.linef("more: --page-token %s", token)
				}
			})
		},
	}
	bindPage(cmd, &request.PageSize, &request.PageToken)
	return cmd
}

// bindPage adds the flags of every list.
func bindPage(cmd *cobra.Command, size *int32, token *string) {
	cmd.Flags().Int32Var(size, "page-size", 0, "at most this many; 0 means 50")
	cmd.Flags().StringVar(token, "page-token", "", "token of the page before")
}

func needShow(c *connection) *cobra.Command {
	return &cobra.Command{
		Use: "show NEED", Short: "Show a kept need", Long: "Show shows one of the needs that your business keeps.",
		Example: "  beltwright need show needs/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("NEED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetSavedNeedResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).GetSavedNeed(ctx, &fitmentv1.GetSavedNeedRequest{Name: args[0]})
			}, func(p *printer, answer *fitmentv1.GetSavedNeedResponse) { showNeed(p, answer.GetSavedNeed()) })
		},
	}
}

func needDelete(c *connection) *cobra.Command {
	cmd := &cobra.Command{
		Use: "delete NEED", Short: "End a kept need", Long: "Delete ends a need; its watches end too.",
		Example: "  beltwright need delete needs/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11",
		Args:    arguments("NEED"),
	}
	id := bindRequestID(cmd)
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		request := &fitmentv1.DeleteSavedNeedRequest{Name: args[0], RequestId: id.text()}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.DeleteSavedNeedResponse, error) {
			return fitmentv1.NewFitmentServiceClient(conn).DeleteSavedNeed(ctx, request)
		}, func(p *printer, _ *fitmentv1.DeleteSavedNeedResponse) { p.linef("%s is deleted", request.GetName()) })
	}
	return cmd
}

func showNeed(p *printer, saved *fitmentv1.SavedNeed) {
	n := saved.GetNeed()
	p.linef("%s", saved.GetName())
	p.linef("%s", strings.Join(nonEmpty(words(n.GetKind()), place(n.GetPosition()), "for a "+car(n.GetVehicle())), ", "))
	if number := strings.TrimSpace(n.GetPartMaker() + " " + n.GetPartNumber()); number != "" {
		p.linef("in place of %s", number)
	}
	if n.GetJurisdiction() != "" {
		p.linef("fitted in %s", n.GetJurisdiction())
	}
	if saved.GetNote() != "" {
		p.linef("note: %s", saved.GetNote())
	}
	p.linef("kept since %s", localTime(saved.GetCreateTime().AsTime()))
}

// car names a vehicle in a few words.
func car(v *fitmentv1.Vehicle) string {
	year := ""
	if v.GetModelYear() != 0 {
		year = strconv.Itoa(int(v.GetModelYear()))
	}
	vin := ""
	if v.GetVin() != "" {
		vin = "VIN " + v.GetVin()
	}
	return strings.Join(nonEmpty(year, v.GetMake(), v.GetModel(), v.GetBody(), vin), " ")
}

func nonEmpty(texts ...string) []string {
	var list []string
	for _, text := range texts {
		if text != "" {
			list = append(list, text)
		}
	}
	return list
}

func needWatch(c *connection) *cobra.Command {
	var f watchFlags
	var unproven bool
	cmd := &cobra.Command{
		Use: "watch NEED", Short: "Tell donors as they come and go",
		Long: `Watch prints the listings that fit a kept need, then each one as it comes to fit, and
says when one no longer does or is no longer to be had, as one that another
business holds. With --resume FILE the place is kept in a file: whenever it is run
again, it goes on from there, and nothing is missed or told twice. With --once it
ends when it has told all there is.`,
		Example: `  beltwright need watch needs/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11
  beltwright need watch needs/2f7e3c1a-5b0d-5c1e-9f64-0a8d3f6f2b11 --resume solane.place --once`,
		Args: arguments("NEED"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return watch(c, cmd, &f, func(ctx context.Context, conn grpc.ClientConnInterface, revision string) (stream[*fitmentv1.WatchDonorsResponse], error) {
				request := &fitmentv1.WatchDonorsRequest{Name: args[0], Revision: revision, IncludeProveFirst: unproven}
				return fitmentv1.NewFitmentServiceClient(conn).WatchDonors(ctx, request)
			}, func(m *fitmentv1.WatchDonorsResponse) (bool, error) {
				return m.GetChange() == fitmentv1.WatchDonorsResponse_NOTHING, c.showChange(cmd, m)
			})
		},
	}
	f.bind(cmd)
	cmd.Flags().BoolVar(&unproven, "prove-first", false, "also tell what is to be proven first")
	return cmd
}

// showChange prints a change: all of them as JSON lines, those that say something
// as text.
func (c *connection) showChange(cmd *cobra.Command, m *fitmentv1.WatchDonorsResponse) error {
	if c.asJSON {
		return jsonLine(cmd.OutOrStdout(), m)
	}
	p := &printer{out: cmd.OutOrStdout()}
	listing, decision := m.GetDonor().GetListing(), m.GetDonor().GetDecision()
	switch m.GetChange() {
	case fitmentv1.WatchDonorsResponse_NEW:
		p.linef("%s", strings.Join(nonEmpty(
			"new", verdict(decision.GetVerdict()), listing.GetName(), listing.GetPartNumber(),
			cash(listing.GetPrice(), listing.GetCurrencyCode()), headline(decision),
		), "   "))
	case fitmentv1.WatchDonorsResponse_GONE:
		p.linef("gone   %s", listing.GetName())
	default:
	}
	return p.err
}
