package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/plain"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func donorsCommand(c *connection) *cobra.Command {
	var need needFlags
	var size int32
	var token string
	var all bool
	cmd := &cobra.Command{
		Use:   "donors",
		Short: "Find listed parts for a need, decided and ordered",
		Long: `Donors finds the listings for a need: first those that fit, then those to be
proven first, with the evidence worth getting. --all also shows what does not fit
or is barred, and why.`,
		Example: `  beltwright donors --make Tarvena --model Solane --year 2006 --drive-side left \
    --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		Args: noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			n, err := need.need(c, cmd)
			if err != nil {
				return err
			}
			request := &fitmentv1.FindDonorsRequest{Need: n, PageSize: size, PageToken: token, IncludeUnsuitable: all}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.FindDonorsResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).FindDonors(ctx, request)
			}, func(p *printer, answer *fitmentv1.FindDonorsResponse) { showDonors(p, answer, all) })
		},
	}
	need.bind(cmd)
	flags := cmd.Flags()
	flags.Int32Var(&size, "page-size", 0, "at most this many; 0 means 50")
	flags.StringVar(&token, "page-token", "", "token of the page before")
	flags.BoolVar(&all, "all", false, "also show what does not fit or is barred")
	return cmd
}

func showDonors(p *printer, answer *fitmentv1.FindDonorsResponse, all bool) {
	rows := make([][]string, 0, len(answer.GetDonors()))
	for _, donor := range answer.GetDonors() {
		listing, decision := donor.GetListing(), donor.GetDecision()
		rows = append(rows, []string{
			verdict(decision.GetVerdict()), listing.GetName(), listing.GetPartNumber(),
			cash(listing.GetPrice(), listing.GetCurrencyCode()), fmt.Sprintf("%d d", listing.GetTerms().GetDays()), headline(decision),
		})
	}
	if len(rows) == 0 {
		p.linef("no listing for this need")
		if !all {
			p.linef("  --all shows what does not fit or is barred; write make, model and body as the yards do (saloon, not sedan)")
		}
		return
	}
	p.table([]string{"verdict", "listing", "part number", "price", "days", "why"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}

// headline says in a few words why a decision is no plain yes.
func headline(d *fitmentv1.Decision) string {
	if missing := d.GetMissingEvidence(); d.GetVerdict() == fitmentv1.Decision_PROVE_FIRST && len(missing) > 0 {
		return fmt.Sprintf("%s (%.0f min of work in all)", missing[0].GetAsk(), d.GetExpectedMinutes())
	}
	barred := d.GetVerdict() == fitmentv1.Decision_BARRED // it may not match either, but that is not what bars it
	for _, f := range d.GetFindings() {
		if f.GetAnswer() == fitmentv1.Finding_NO && f.GetSeverity() != fitmentv1.Finding_ADVICE && (!barred || f.GetSeverity() != fitmentv1.Finding_FIT) {
			return plain.Reason(f)
		}
	}
	return ""
}

func decideCommand(c *connection) *cobra.Command {
	var need needFlags
	cmd := &cobra.Command{
		Use:   "decide LISTING",
		Short: "Say whether one listing fits and may be used, with every reason",
		Long: `Decide answers a need with one listing: every rule's finding with its source, what
is not proven yet and in which order it is worth getting, and what to check on
arrival.`,
		Example: `  beltwright decide listings/kettlewick.SOLANE-1 --make Tarvena --model Solane --year 2006 \
    --drive-side left --body saloon --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA`,
		Args: arguments("LISTING"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return decided(c, cmd, &need, args[0], func(p *printer, _ *fitmentv1.Need, d *fitmentv1.Decision) { showDecision(p, d) })
		},
	}
	need.bind(cmd)
	return cmd
}

// decided decides a listing for the need of the flags and shows the decision.
func decided(c *connection, cmd *cobra.Command, need *needFlags, listing string, show func(p *printer, n *fitmentv1.Need, d *fitmentv1.Decision)) error {
	n, err := need.need(c, cmd)
	if err != nil {
		return err
	}
	request := &fitmentv1.DecideRequest{Need: n, ListingName: listing}
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.DecideResponse, error) {
		return fitmentv1.NewFitmentServiceClient(conn).Decide(ctx, request)
	}, func(p *printer, answer *fitmentv1.DecideResponse) { show(p, n, answer.GetDecision()) })
}

func showDecision(p *printer, d *fitmentv1.Decision) {
	p.linef("%s   (does it match: %s; may it be used again: %s)", verdict(d.GetVerdict()), words(d.GetFit()), words(d.GetReuse()))
	rows := make([][]string, 0, len(d.GetFindings()))
	for _, f := range d.GetFindings() {
		rows = append(rows, []string{words(f.GetAnswer()), f.GetRule(), words(f.GetSeverity()), plain.Reason(f), f.GetSource()})
	}
	p.table([]string{"answer", "rule", "counts for", "why", "source"}, rows)
	for n, m := range d.GetMissingEvidence() {
		p.linef("%d. %s (%.0f min): %s", n+1, m.GetAsk(), m.GetMinutes(), m.GetReason())
	}
	for _, check := range d.GetArrivalChecks() {
		p.linef("on arrival: %s Passes if: %s", check.GetCheck(), check.GetPass())
	}
	p.list("cautions", d.GetCautions())
}
