package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/strict"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func basketCommand(c *connection) *cobra.Command {
	var why bool
	cmd := &cobra.Command{
		Use:   "basket FILE",
		Short: "Choose sellers for several parts from figures in a JSON file",
		Long: `Basket chooses a seller for each part so that the prices and one freight charge for
each seller that is bought from come to the least in all. FILE holds a basket request
in the API's JSON form; "-" reads standard input. Nothing is stored. Fit and reuse are
not looked at: put in only what may be bought.`,
		Example: `  echo '{"currencyCode":"USD","parts":["buckle"],
    "sellers":[{"id":"s1","freight":"1250","offers":[{"part":"buckle","price":"4500"}]}]}' | beltwright basket -`,
		Args: arguments("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			raw, err := readInput(cmd, args[0])
			if err != nil {
				return err
			}
			request := &quotev1.SolveBasketRequest{}
			if err := strict.JSON(raw, request); err != nil {
				return usageError{fmt.Errorf("%s is no basket request: %w", args[0], err)}
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.SolveBasketResponse, error) {
				return quotev1.NewPlanningServiceClient(conn).SolveBasket(ctx, request)
			}, func(p *printer, answer *quotev1.SolveBasketResponse) {
				showBasket(p, answer, request.GetCurrencyCode())
				if why {
					showWorkings(p, "the basket", answer.GetWorkings())
				}
			})
		},
	}
	cmd.Flags().BoolVar(&why, "why", false, "say how each number came about")
	return cmd
}

func showBasket(p *printer, basket *quotev1.SolveBasketResponse, currency string) {
	rows := make([][]string, 0, len(basket.GetAssignment()))
	for _, choice := range basket.GetAssignment() {
		rows = append(rows, []string{choice.GetPart(), choice.GetSeller()})
	}
	p.table([]string{"part", "from"}, rows)
	if basket.GetProven() {
		p.linef("total with freight %s: nothing is cheaper", cash(basket.GetTotal(), currency))
	} else {
		p.linef("total with freight %s: the best found when the search ended; nothing costs less than %s",
			cash(basket.GetTotal(), currency), cash(basket.GetBound(), currency))
	}
	p.linef("by %s; nodes: %d", basket.GetMethod(), basket.GetNodes())
}
