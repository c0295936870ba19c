package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/strict"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func planCommand(c *connection) *cobra.Command {
	return &cobra.Command{
		Use:   "plan FILE",
		Short: "Plan a purchase from figures in a JSON file",
		Long: `Plan orders offers that are bought and tried one at a time. FILE holds a plan request
in the API's JSON form; "-" reads standard input. Nothing is stored.`,
		Example: `  echo '{"currencyCode":"USD","fallback":{"price":"40000"},"offers":[
    {"id":"A","price":"18000","sunk":"5500","returnLoss":"3000","passProbability":0.85,"days":3}]}' | beltwright plan -`,
		Args: arguments("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			raw, err := readInput(cmd, args[0])
			if err != nil {
				return err
			}
			request := &quotev1.PlanPurchaseRequest{}
			if err := strict.JSON(raw, request); err != nil {
				return usageError{fmt.Errorf("%s is no plan request: %w", args[0], err)}
			}
			return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.PlanPurchaseResponse, error) {
				return quotev1.NewPlanningServiceClient(conn).PlanPurchase(ctx, request)
			}, func(p *printer, answer *quotev1.PlanPurchaseResponse) { showPlan(p, answer, request.GetCurrencyCode()) })
		},
	}
}

// maxInput bounds a request read from a file, in bytes.
const maxInput = 1 << 20

func readInput(cmd *cobra.Command, path string) ([]byte, error) {
	file, _, err := openInput(cmd, path)
	if err != nil {
		return nil, err
	}
	raw, err := io.ReadAll(io.LimitReader(file, maxInput+1))
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("read the request: %w", err)
	}
	if len(raw) > maxInput {
		return nil, usageError{fmt.Errorf("%s has more than %d bytes", path, maxInput)}
	}
	return raw, nil
}

func showPlan(p *printer, plan *quotev1.PlanPurchaseResponse, currency string) {
	p.linef("%s", plan.GetWords())
	p.linef("order: %s", strings.Join(plan.GetOrder(), ", "))
	if len(plan.GetNotTried()) > 0 {
		p.linef("not tried: %s", strings.Join(plan.GetNotTried(), ", "))
	}
	p.linef("expected %s, %.3f days; 95 %% quantile %s; CVaR 95 %% %s", cash(plan.GetExpectedCost(), currency), plan.GetExpectedDays(),
		cash(plan.GetQuantile95(), currency), cash(plan.GetCvar95(), currency))
	rows := make([][]string, 0, len(plan.GetDistribution()))
	for _, o := range plan.GetDistribution() {
		rows = append(rows, []string{cash(o.GetCost(), currency), strconv.Itoa(int(o.GetDays())), fmt.Sprintf("%.4f", o.GetProbability())})
	}
	p.table([]string{"cost", "days", "probability"}, rows)
	if plan.GetUnrepairedProbability() > 0 {
		p.linef("chance of ending unrepaired: %.2g %%", plan.GetUnrepairedProbability()*100)
	}
}
