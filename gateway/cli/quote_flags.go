package cli

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// quoteFlags are the shop's figures.
type quoteFlags struct {
	need                                              needFlags
	currency, dayCost, tax, taxPlace, rate, reference string
	customer, suppliesPercent, lateCost               string
	also, supplies                                    []string
	fitMinutes, checkMinutes, validHours, deadline    int32
	parallel, dryRun, draft                           bool
	limits                                            limitFlags
	lowerBound                                        float64
	id                                                *requestID
}

func (q *quoteFlags) bind(cmd *cobra.Command) {
	q.need.bind(cmd)
	flags := cmd.Flags()
	flags.StringArrayVar(&q.also, "also", nil, "a further part of the repair (repeatable): needs/…, or kind=…,row=…,side=…,part-number=…,part-maker=…; with fit-minutes=…,check-minutes=…")
	flags.StringVar(&q.currency, "currency", "USD", "currency of every amount, ISO 4217")
	flags.StringVar(&q.dayCost, "day-cost", "", "what a day without the vehicle costs, such as 30.00")
	flags.StringVar(&q.tax, "tax", "", "tax rate in percent, such as 7.25")
	flags.StringVar(&q.taxPlace, "tax-place", "", "place whose tax rules count, such as US-WA; where the part is fitted if not given")
	flags.StringVar(&q.rate, "hourly-rate", "", "the shop's rate an hour, such as 128.00")
	flags.Int32Var(&q.fitMinutes, "fit-minutes", 0, "minutes to fit the part and to prove the repair")
	flags.Int32Var(&q.checkMinutes, "check-minutes", 0, "minutes of the arrival check")
	flags.StringArrayVar(&q.supplies, "supply", nil, "an item of supplies (repeatable): LABEL=AMOUNT, such as \"thread lock=3.00\"")
	flags.StringVar(&q.suppliesPercent, "supplies-percent", "", "supplies as a percentage of labour, where the place allows it")
	flags.Int32Var(&q.validHours, "valid-hours", 0, "how long the quote and its holds are good; 0 means 72")
	flags.StringVar(&q.reference, "reference", "", "your own reference")
	flags.StringVar(&q.customer, "customer", "", "your own name or number for the customer")
	flags.BoolVar(&q.parallel, "parallel", false, "several parts may be bought at once, and those not kept go back")
	flags.Int32Var(&q.deadline, "deadline", 0, "day by which the vehicle should be ready, counted from now")
	flags.StringVar(&q.lateCost, "late-cost", "", "what being ready later costs, once")
	q.limits.bind(cmd)
	flags.Float64Var(&q.lowerBound, "min-lower-bound", 0, "used parts only of sellers whose chance is proven to be at least this, such as 0.9; never evidence of fit")
}

func (q *quoteFlags) request(c *connection, cmd *cobra.Command) (*quotev1.PrepareQuoteRequest, error) {
	request, err := q.figures(c, cmd)
	if err != nil {
		return nil, err
	}
	request.DryRun, request.Draft = q.dryRun, q.draft
	if !q.dryRun {
		request.RequestId = q.id.text()
	}
	return request, nil
}

// figures is the request without its id.
func (q *quoteFlags) figures(c *connection, cmd *cobra.Command) (*quotev1.PrepareQuoteRequest, error) {
	need, err := q.need.need(c, cmd)
	if err != nil {
		return nil, err
	}
	request := &quotev1.PrepareQuoteRequest{
		Need: need, CurrencyCode: q.currency, TaxPercent: q.tax, TaxPlace: q.taxPlace, ValidHours: q.validHours, Reference: q.reference,
		Customer: q.customer, SuppliesPercent: q.suppliesPercent, Parallel: q.parallel, DeadlineDays: q.deadline,
		Labour: &quotev1.Labour{FitMinutes: q.fitMinutes, CheckMinutes: q.checkMinutes},
	}
	for _, amount := range []struct {
		flag, text string
		into       *int64
	}{
		{"day-cost", q.dayCost, &request.DayCost}, {"hourly-rate", q.rate, &request.Labour.HourlyRate}, {"late-cost", q.lateCost, &request.LateCost},
	} {
		if *amount.into, err = money(amount.flag, amount.text, q.currency); err != nil {
			return nil, err
		}
	}
	if request.Limits, err = q.limits.limits(q.currency); err != nil {
		return nil, err
	}
	if q.lowerBound != 0 {
		if request.GetLimits() == nil {
			request.Limits = &quotev1.Limits{}
		}
		request.Limits.MinLowerBound = q.lowerBound
	}
	for _, text := range q.supplies {
		item, err := supply(text, q.currency)
		if err != nil {
			return nil, err
		}
		request.Supplies = append(request.Supplies, item)
	}
	for _, text := range q.also {
		further, err := c.furtherNeed(cmd, need, text, request.GetLabour().GetHourlyRate())
		if err != nil {
			return nil, err
		}
		request.FurtherNeeds = append(request.FurtherNeeds, further)
	}
	return request, nil
}

// supply reads LABEL=AMOUNT.
func supply(text, currency string) (*quotev1.SupplyLine, error) {
	at := strings.LastIndex(text, "=")
	if at <= 0 {
		return nil, usageError{fmt.Errorf("--supply: %q is not understood; expected LABEL=AMOUNT", text)}
	}
	value, err := money("supply", strings.TrimSpace(text[at+1:]), currency)
	if err != nil {
		return nil, err
	}
	return &quotev1.SupplyLine{Label: strings.TrimSpace(text[:at]), Amount: value}, nil
}

// furtherNeed reads a further need: a kept one, or one that is described, on the
// vehicle of the first.
func (c *connection) furtherNeed(cmd *cobra.Command, first *fitmentv1.Need, text string, rate int64) (*quotev1.FurtherNeed, error) {
	const what = "--also"
	kept, rest, _ := strings.Cut(text, ",")
	allowed := []string{"fit-minutes", "check-minutes"}
	if !strings.HasPrefix(kept, "needs/") {
		kept, rest = "", text
		allowed = append(allowed, "kind", "row", "side", "part-maker", "part-number")
	}
	values := map[string]string{}
	var err error
	if rest != "" {
		if values, err = pairs(what, rest, allowed...); err != nil {
			return nil, err
		}
	}
	further := &quotev1.FurtherNeed{Labour: &quotev1.Labour{HourlyRate: rate}}
	if further.Labour.FitMinutes, err = whole(what, values, "fit-minutes"); err != nil {
		return nil, err
	}
	if further.Labour.CheckMinutes, err = whole(what, values, "check-minutes"); err != nil {
		return nil, err
	}
	if kept != "" {
		further.Need, err = c.keptNeed(cmd.Context(), kept)
		return further, err
	}
	kind, err := enum(what+" kind", values["kind"], fitmentv1.Part_KIND_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	side, err := enum(what+" side", values["side"], fitmentv1.Position_SIDE_UNSPECIFIED)
	if err != nil {
		return nil, err
	}
	row, err := whole(what, values, "row")
	if err != nil {
		return nil, err
	}
	further.Need = &fitmentv1.Need{
		Vehicle: proto.CloneOf(first.GetVehicle()), Kind: fitmentv1.Part_Kind(kind), Jurisdiction: first.GetJurisdiction(),
		Position:  &fitmentv1.Position{Row: row, Side: fitmentv1.Position_Side(side)},
		PartMaker: values["part-maker"], PartNumber: values["part-number"],
	}
	return further, nil
}

// lineNumbers reads numbers of lines, 1,3 or repeated.
func lineNumbers(texts []string) ([]int32, error) {
	numbers := make([]int32, 0, len(texts))
	for _, text := range texts {
		number, err := strconv.ParseInt(strings.TrimSpace(text), 10, 32)
		if err != nil || number < 1 {
			return nil, usageError{fmt.Errorf("--line: %q is no number of a line; expected 1, 2, …", text)}
		}
		numbers = append(numbers, int32(number))
	}
	return numbers, nil
}
