package cli

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func listingReturn(c *connection) *cobra.Command {
	var failed, saw []string
	var note string
	cmd := &cobra.Command{
		Use: "return LISTING", Short: "Send a part back that failed its arrival check",
		Long: `Return sends a part back that you bought and that failed its arrival check. The sold
listing stays as it is; a new one under the same yard stands for the part on its way
back, with what you saw as evidence. "repair inspect" does this for a repair order.`,
		Example: `  beltwright listing return listings/kettlewick.SOLANE-1 --failed "Look into the connector for the shorting clip." \
    --saw shorting-clip-present=no --note "clip missing"`,
		Args: arguments("LISTING"),
	}
	id := bindRequestID(cmd)
	cmd.Flags().StringArrayVar(&failed, "failed", nil, "check that failed, as the decision words it; may be repeated")
	bindSaw(cmd, &saw)
	cmd.Flags().StringVar(&note, "note", "", "what was seen")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		seen, err := parseSaw(saw)
		if err != nil {
			return err
		}
		request := &fitmentv1.ReturnListingRequest{
			Name: args[0], Report: &fitmentv1.ReturnReport{FailedChecks: failed, Note: note}, Evidence: seen, RequestId: id.text(),
		}
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ReturnListingResponse, error) {
			return fitmentv1.NewListingServiceClient(conn).ReturnListing(ctx, request)
		}, func(p *printer, answer *fitmentv1.ReturnListingResponse) { showListing(p, answer) })
	}
	return cmd
}

func listingRelist(c *connection) *cobra.Command {
	return turn(c, &cobra.Command{
		Use: "relist LISTING", Short: "Put a part of yours that came back on sale again",
		Long: `Relist puts a part on sale again once you have it back. What the buyer saw stays in its
evidence, and every decision on it names the checks that failed. What they left in doubt
counts as proven only by statements dated since. It needs the etag that was read last.`,
		Example: `  beltwright listing relist listings/kettlewick.SOLANE-1-R1 --etag '"3f"'`,
	}, func(ctx context.Context, client fitmentv1.ListingServiceClient, name, etag, id string) (*fitmentv1.RelistListingResponse, error) {
		return client.RelistListing(ctx, &fitmentv1.RelistListingRequest{Name: name, Etag: etag, RequestId: id})
	})
}

// bindSaw adds the flag for what was seen on arrival.
func bindSaw(cmd *cobra.Command, saw *[]string) {
	cmd.Flags().StringArrayVar(saw, "saw", nil, "what was seen, ATTRIBUTE=VALUE, such as shorting-clip-present=no; may be repeated")
}

func parseSaw(saw []string) ([]*fitmentv1.Evidence, error) {
	var seen []*fitmentv1.Evidence
	for _, text := range saw {
		attribute, value, ok := strings.Cut(text, "=")
		if !ok {
			return nil, usageError{fmt.Errorf("--saw: %q is not understood; expected ATTRIBUTE=VALUE", text)}
		}
		number, err := enum("--saw", attribute, fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED)
		if err != nil {
			return nil, err
		}
		seen = append(seen, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_Attribute(number), Value: value})
	}
	return seen, nil
}

// showReturn says where a part came from or went that failed its arrival check.
func showReturn(p *printer, l *fitmentv1.Listing) {
	if l.GetReturnedAs() != "" {
		p.linef("went back to its yard as %s", l.GetReturnedAs())
	}
	if l.GetReturnOf() == "" {
		return
	}
	p.linef("came back; sold before as %s", l.GetReturnOf())
	p.list("failed on arrival", l.GetReturnReport().GetFailedChecks())
	if note := l.GetReturnReport().GetNote(); note != "" {
		p.linef("the buyer says: %s", note)
	}
}
