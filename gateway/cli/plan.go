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
	"beltwright.example/services/platform/prose"
)

// planFlags say what is asked about the figures.
type planFlags struct {
	choices, why bool
	limits       limitFlags
}

func planCommand(c *connection) *cobra.Command {
	var f planFlags
	cmd := &cobra.Command{
		Use:   "plan FILE",
		Short: "Plan a purchase from figures in a JSON file",
		Long: `Plan orders offers that are bought and tried until one passes its check: one at a
time, or several at once where "parallel" is true. "sellers" says that the offers of
one seller share an uncertain chance, "deadlineDays" and "lateCost" what being late
costs. FILE holds a plan request in the API's JSON form; "-" reads standard input.
Nothing is stored.

With --choices it lists every way to buy that no other way beats in expected cost, in
the mean cost of the worst 1 in 20 and in expected days at once. Limits filter that
list; they weigh nothing, and nothing is recommended.`,
		Example: `  echo '{"currencyCode":"USD","fallback":{"price":"40000"},"offers":[
    {"id":"A","price":"18000","sunk":"5500","returnLoss":"3000","passProbability":0.85,"days":3}]}' | beltwright plan -
  beltwright plan figures.json --choices --max-cvar 450.00`,
		Args: arguments("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error { return f.run(c, cmd, args[0]) },
	}
	cmd.Flags().BoolVar(&f.choices, "choices", false, "list what may be chosen between instead of one plan")
	cmd.Flags().BoolVar(&f.why, "why", false, "say how each number of the plan came about")
	f.limits.bind(cmd)
	return cmd
}

func (f *planFlags) run(c *connection, cmd *cobra.Command, path string) error {
	raw, err := readInput(cmd, path)
	if err != nil {
		return err
	}
	request := &quotev1.PlanPurchaseRequest{}
	if err := strict.JSON(raw, request); err != nil {
		return usageError{fmt.Errorf("%s is no plan request: %w", path, err)}
	}
	currency := request.GetCurrencyCode()
	limits, err := f.limits.limits(currency)
	switch {
	case err != nil:
		return err
	case limits != nil && !f.choices:
		return usageError{errors.New("limits filter choices; add --choices")}
	case f.choices && f.why:
		return usageError{errors.New("--why is about one plan; leave --choices out")}
	case f.choices:
		return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.WeighChoicesResponse, error) {
			return quotev1.NewPlanningServiceClient(conn).WeighChoices(ctx, &quotev1.WeighChoicesRequest{Problem: request, Limits: limits})
		}, func(p *printer, answer *quotev1.WeighChoicesResponse) {
			showTradeOff(p, answer.GetTradeOff(), currency)
		})
	}
	return call(c, cmd, func(ctx context.Context, conn grpc.ClientConnInterface) (*quotev1.PlanPurchaseResponse, error) {
		return quotev1.NewPlanningServiceClient(conn).PlanPurchase(ctx, request)
	}, func(p *printer, answer *quotev1.PlanPurchaseResponse) {
		showPlan(p, answer, currency)
		if f.why {
			showWorkings(p, "the plan", answer.GetWorkings())
		}
	})
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
	p.linef("order: %s", strings.Join(orderOf(plan), ", "))
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
	for _, ready := range plan.GetReadyBy() {
		p.linef("ready by day %d: %s", ready.GetDays(), chanceReady(plan, ready))
	}
	if plan.GetUnrepairedProbability() > 0 {
		p.linef("chance of ending unrepaired: %s", prose.Percent(plan.GetUnrepairedProbability()))
	}
	if plan.GetLimited() != "" {
		p.linef("%s", plan.GetLimited())
	}
}

// orderOf lists what is bought in order, with what is bought at once together.
func orderOf(plan *quotev1.PlanPurchaseResponse) []string {
	if len(plan.GetBatches()) == 0 {
		return plan.GetOrder()
	}
	steps := make([]string, 0, len(plan.GetBatches()))
	for _, batch := range plan.GetBatches() {
		steps = append(steps, strings.Join(batch.GetIds(), " and "))
	}
	return steps
}
