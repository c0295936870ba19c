package cli

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/prose"
)

// limitFlags are limits that filter what may be chosen between.
type limitFlags struct {
	cost, cvar string
	days       float64
}

func (l *limitFlags) bind(cmd *cobra.Command) {
	flags := cmd.Flags()
	flags.StringVar(&l.cost, "max-cost", "", "expected cost at most this, such as 300.00")
	flags.StringVar(&l.cvar, "max-cvar", "", "mean cost of the worst 1 in 20 at most this, such as 450.00")
	flags.Float64Var(&l.days, "max-days", 0, "expected days at most this")
}

// limits reads the flags; nil where none is given.
func (l *limitFlags) limits(currency string) (*quotev1.Limits, error) {
	if *l == (limitFlags{}) {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	cost, err := money("max-cost", l.cost, currency)
	if err != nil {
		return nil, err
	}
	cvar, err := money("max-cvar", l.cvar, currency)
	if err != nil {
		return nil, err
	}
	return &quotev1.Limits{MaxCost: cost, MaxCvar: cvar, MaxDays: l.days}, nil
}

// showTradeOff shows what may be chosen between: the policies as a table, then what
// each stands for in words. Nothing is recommended.
func showTradeOff(p *printer, trade *quotev1.TradeOff, currency string) {
	points := trade.GetPoints()
	if len(points) == 0 {
		p.linef("nothing is within the limits")
		p.list("how near one comes", trade.GetNearestMisses())
		return
	}
	p.linef("none of %d policies beats one of these in expected cost, risk and days at once:", trade.GetPolicies())
	rows := make([][]string, 0, len(points))
	for n, point := range points {
		next := ""
		if point.GetBreakEvenDayCost() != "" {
			next = perDay(point.GetBreakEvenDayCost(), currency)
		}
		rows = append(rows, []string{
			strconv.Itoa(n + 1), cash(point.GetExpectedCost(), currency), cash(point.GetCvar95(), currency),
			fmt.Sprintf("%.2f", point.GetExpectedDays()), next, regret(point, currency), policyWords(point),
		})
	}
	p.table([]string{"", "expected", "worst 1 in 20", "days", "as dear as the next where a day costs", "regretted at most", "buys"}, rows)
	if least := leastWorst(trade); len(least) > 0 {
		p.linef("least worst regret: %s, which is no recommendation", prose.ListOf(least, strconv.Itoa))
	}
	if trade.GetLimited() != "" {
		p.linef("%s", trade.GetLimited())
	}
}

// leastWorst are the numbers of all policies that tie for the least worst regret.
func leastWorst(trade *quotev1.TradeOff) []int {
	points, first := trade.GetPoints(), int(trade.GetLeastWorstRegret())
	if first < 1 || first > len(points) {
		return nil
	}
	var tied []int
	for n, point := range points {
		if point.GetWorstRegret() == points[first-1].GetWorstRegret() {
			tied = append(tied, n+1)
		}
	}
	return tied
}

// policyWords says in short what a policy buys.
func policyWords(point *quotev1.TradePoint) string {
	var steps []string
	for _, batch := range point.GetBatches() {
		steps = append(steps, strings.Join(batch.GetIds(), " and "))
	}
	if point.GetFallback() {
		steps = append(steps, "a new part")
	}
	text := strings.Join(steps, ", then ")
	if chance := point.GetUnrepairedProbability(); chance > 0 {
		text += fmt.Sprintf(" (unrepaired in the end: %s)", prose.Percent(chance))
	}
	return text
}

func regret(point *quotev1.TradePoint, currency string) string {
	if point.GetWorstRegret() == 0 {
		return "nothing"
	}
	return cash(point.GetWorstRegret(), currency) + " if " + point.GetWorstState()
}

// perDay writes a cost of a day, a decimal number of minor units, in major units
// with two more places than the currency has; what is no number is shown as it is.
func perDay(minor, currency string) string {
	value, ok := new(big.Rat).SetString(minor)
	if !ok {
		return minor
	}
	places := amount.Digits(currency)
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	return new(big.Rat).Quo(value, new(big.Rat).SetInt(scale)).FloatString(places+2) + " " + currency
}
