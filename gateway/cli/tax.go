package cli

import (
	"cmp"
	"context"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func taxCommand(c *connection) *cobra.Command {
	return &cobra.Command{
		Use:   "tax [PLACE]",
		Short: "Show which rules for tax on a repair are known of a place",
		Long: `Tax shows which lines of a quote a place taxes, whether the tax on a core deposit
comes back, and what else it asks of a quote, each with its source; and what counts
where that is not known. Without PLACE it lists all places. Rates are local: each
quote states its own. It is no tax advice: check local law.`,
		Example: "  beltwright tax\n  beltwright tax US-CA",
		Args:    atMostOne("PLACE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			request := &quotev1.ListTaxPacksRequest{}
			if len(args) > 0 {
				request.Place = args[0]
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.ListTaxPacksResponse, error) {
				return quotev1.NewPlanningServiceClient(conn).ListTaxPacks(ctx, request)
			}, func(p *printer, answer *quotev1.ListTaxPacksResponse) {
				if request.GetPlace() == "" {
					showTaxPlaces(p, answer)
					return
				}
				for _, pack := range answer.GetPacks() {
					showTaxPack(p, pack)
				}
			})
		},
	}
}

// anywhere is where the rules are not known.
const anywhere = "anywhere else"

func showTaxPlaces(p *printer, answer *quotev1.ListTaxPacksResponse) {
	rows := make([][]string, 0, len(answer.GetPacks()))
	for _, pack := range answer.GetPacks() {
		sourced := 0
		for _, rule := range pack.GetRules() {
			if rule.GetSource() != "" {
				sourced++
			}
		}
		rows = append(rows, []string{cmp.Or(pack.GetPlace(), anywhere), pack.GetVersion(), strconv.Itoa(sourced)})
	}
	p.table([]string{"place", "version", "rules with a source"}, rows)
}

func showTaxPack(p *printer, pack *quotev1.TaxPack) {
	if pack.GetPlace() != "" {
		p.linef("%s (version %s)", pack.GetPlace(), pack.GetVersion())
	}
	for _, rule := range pack.GetRules() {
		showSourced(p, rule.GetText(), rule.GetSource())
	}
}

// showSourced shows a sentence and where it is from.
func showSourced(p *printer, text, source string) {
	if source != "" {
		text += " [" + source + "]"
	}
	p.linef("  %s", text)
}
