package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// needFlags say what a vehicle lacks: described, or by the name of a need that is
// kept.
type needFlags struct {
	vehicleFlags

	kept                                            string
	kind, side, partMaker, partNumber, jurisdiction string
	row                                             int32
	describing                                      []string // names of the flags that describe
}

// bind adds the flags that describe a need, and --for.
func (n *needFlags) bind(cmd *cobra.Command) {
	n.describe(cmd)
	cmd.Flags().StringVar(&n.kept, "for", "", "`name` of a kept need, needs/…, instead of the flags that describe one (see need save)")
}

// describe adds the flags that describe a need.
func (n *needFlags) describe(cmd *cobra.Command) {
	before := map[string]bool{}
	flags := cmd.Flags()
	flags.VisitAll(func(f *pflag.Flag) { before[f.Name] = true })
	n.vehicleFlags.bind(cmd)
	flags.StringVar(&n.kind, "kind", "", "kind of part: buckle-pretensioner, driver-air-bag, clock-spring, …")
	flags.Int32Var(&n.row, "row", 0, "row of the seat, 1 is the front")
	flags.StringVar(&n.side, "side", "", "side as seated: left, right or centre")
	flags.StringVar(&n.partMaker, "part-maker", "", "maker on the old part's label")
	flags.StringVar(&n.partNumber, "part-number", "", "number on the old part's label")
	flags.StringVar(&n.jurisdiction, "jurisdiction", "", "where the part is fitted: US-WA, …")
	flags.VisitAll(func(f *pflag.Flag) {
		if !before[f.Name] {
			n.describing = append(n.describing, f.Name)
		}
	})
}

// need is the need that the flags describe or, with --for, the kept one.
func (n *needFlags) need(c *connection, cmd *cobra.Command) (*fitmentv1.Need, error) {
	if n.kept == "" {
		return n.described()
	}
	for _, name := range n.describing {
		if cmd.Flags().Changed(name) {
			return nil, usageError{fmt.Errorf("--for %s and --%s: expected one of the two, a kept need or a description", n.kept, name)}
		}
	}
	return c.keptNeed(cmd.Context(), n.kept)
}

// keptNeed asks the server for a kept need.
func (c *connection) keptNeed(ctx context.Context, name string) (*fitmentv1.Need, error) {
	answer, err := ask(ctx, c, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.GetSavedNeedResponse, error) {
		return fitmentv1.NewFitmentServiceClient(conn).GetSavedNeed(ctx, &fitmentv1.GetSavedNeedRequest{Name: name})
	})
	return answer.GetSavedNeed().GetNeed(), err
}

// described is the need that the flags describe.
func (n *needFlags) described() (*fitmentv1.Need, error) {
	vehicle, err := n.vehicle()
	if err != nil {
		return nil, err
	}
	kind, err := enum("--kind", n.kind, fitmentv1.Part_KIND_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	side, err := enum("--side", n.side, fitmentv1.Position_SIDE_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.Need{
		Vehicle: vehicle, Kind: fitmentv1.Part_Kind(kind),
		Position:  &fitmentv1.Position{Row: n.row, Side: fitmentv1.Position_Side(side)},
		PartMaker: n.partMaker, PartNumber: n.partNumber, Jurisdiction: n.jurisdiction,
	}, nil
}
