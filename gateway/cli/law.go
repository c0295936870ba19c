package cli

import (
	"context"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func dialectsCommand(c *connection) *cobra.Command {
	return &cobra.Command{
		Use:   "dialects",
		Short: "List the dialects of trouble codes",
		Long: `Dialects lists the ways in which trouble codes are read. The same number means
different things in different dialects; the id is what assess --dialect takes.`,
		Example: "  beltwright dialects",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListDialectsResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).ListDialects(ctx, &fitmentv1.ListDialectsRequest{})
			}, func(p *printer, answer *fitmentv1.ListDialectsResponse) {
				rows := make([][]string, 0, len(answer.GetDialects()))
				for _, d := range answer.GetDialects() {
					rows = append(rows, []string{d.GetId(), strconv.Itoa(int(d.GetCodes())), d.GetText(), d.GetSource()})
				}
				p.table([]string{"dialect", "codes", "what it is", "source"}, rows)
				p.linef("tables of %s", answer.GetVersion())
			})
		},
	}
}

func jurisdictionsCommand(c *connection) *cobra.Command {
	return &cobra.Command{
		Use:   "jurisdictions [PLACE]",
		Short: "Show what is known of the law of a place",
		Long: `Jurisdictions shows what must hold before a used restraint part is sold or fitted in a
place, and what the law asks beside that, each with its source. Without PLACE it
lists all places. It is no legal advice: check local law.`,
		Example: "  beltwright jurisdictions\n  beltwright jurisdictions US-WA",
		Args:    atMostOne("PLACE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			request := &fitmentv1.ListJurisdictionPacksRequest{}
			if len(args) > 0 {
				request.Jurisdiction = args[0]
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.ListJurisdictionPacksResponse, error) {
				return fitmentv1.NewFitmentServiceClient(conn).ListJurisdictionPacks(ctx, request)
			}, func(p *printer, answer *fitmentv1.ListJurisdictionPacksResponse) {
				if request.GetJurisdiction() == "" {
					showPlaces(p, answer)
					return
				}
				for _, pack := range answer.GetPacks() {
					showPack(p, pack)
				}
			})
		},
	}
}

func showPlaces(p *printer, answer *fitmentv1.ListJurisdictionPacksResponse) {
	rows := make([][]string, 0, len(answer.GetPacks()))
	for _, pack := range answer.GetPacks() {
		rows = append(rows, []string{
			pack.GetJurisdiction(), pack.GetPlace(), pack.GetWithin(), pack.GetVersion(),
			strconv.Itoa(len(pack.GetProvisions())), strconv.Itoa(len(pack.GetObligations())),
		})
	}
	p.table([]string{"place", "name", "within", "version", "provisions", "obligations"}, rows)
}

func showPack(p *printer, pack *fitmentv1.JurisdictionPack) {
	p.linef("%s, %s (version %s)", pack.GetJurisdiction(), pack.GetPlace(), pack.GetVersion())
	for _, v := range pack.GetProvisions() {
		about := "before it is fitted"
		if v.GetSale() {
			about = "before it is sold"
		}
		p.linef("  %s, %s: %s [%s]", v.GetId(), about, v.GetText(), v.GetSource())
	}
	for _, o := range pack.GetObligations() {
		p.linef("  %s: %s [%s]", plainParty(o.GetParty()), o.GetText(), o.GetSource())
		for _, text := range o.GetWords() {
			p.linef("    “%s”", text)
		}
	}
	p.list("  notes", pack.GetNotes())
}

func plainParty(party fitmentv1.Obligation_Party) string {
	if party == fitmentv1.Obligation_PARTY_UNSPECIFIED {
		return "seller and installer"
	}
	return words(party)
}
