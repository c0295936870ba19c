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
	request := &quotev1.PrepareQuoteRequest{Labour: &quotev1.Labour{}}
	var err error
	if request.Need, err = q.need.need(c, cmd); err != nil {
		return nil, err
	}
	return request, q.into(c, cmd, request, func(string) bool { return true })
}

// into writes those flags that are given into a request, but for the need's.
func (q *quoteFlags) into(c *connection, cmd *cobra.Command, request *quotev1.PrepareQuoteRequest, given func(flag string) bool) error {
	set(given("currency"), &request.CurrencyCode, q.currency)
	set(given("tax"), &request.TaxPercent, q.tax)
	set(given("tax-place"), &request.TaxPlace, q.taxPlace)
	set(given("valid-hours"), &request.ValidHours, q.validHours)
	set(given("reference"), &request.Reference, q.reference)
	set(given("customer"), &request.Customer, q.customer)
	set(given("supplies-percent"), &request.SuppliesPercent, q.suppliesPercent)
	set(given("parallel"), &request.Parallel, q.parallel)
	set(given("deadline"), &request.DeadlineDays, q.deadline)
	set(given("fit-minutes"), &request.Labour.FitMinutes, q.fitMinutes)
	set(given("check-minutes"), &request.Labour.CheckMinutes, q.checkMinutes)
	limits := request.GetLimits()
	if limits == nil {
		limits = &quotev1.Limits{}
	}
	set(given("max-days"), &limits.MaxDays, q.limits.days)
	set(given("min-lower-bound"), &limits.MinLowerBound, q.lowerBound)
	for _, amount := range []struct {
		flag, text string
		into       *int64
	}{
		{"day-cost", q.dayCost, &request.DayCost},
		{"hourly-rate", q.rate, &request.Labour.HourlyRate},
		{"late-cost", q.lateCost, &request.LateCost},
		{"max-cost", q.limits.cost, &limits.MaxCost},
		{"max-cvar", q.limits.cvar, &limits.MaxCvar},
	} {
		if !given(amount.flag) {
			continue
		}
		var err error
		if *amount.into, err = money(amount.flag, amount.text, request.GetCurrencyCode()); err != nil {
			return err
		}
	}
	if request.Limits = limits; proto.Size(limits) == 0 {
		request.Limits = nil
	}
	return q.lists(c, cmd, request, given)
}

// lists writes the flags that may be repeated into a request: all of one anew.
func (q *quoteFlags) lists(c *connection, cmd *cobra.Command, request *quotev1.PrepareQuoteRequest, given func(flag string) bool) error {
	if given("supply") {
		request.Supplies = nil
		for _, text := range q.supplies {
			item, err := supply(text, request.GetCurrencyCode())
			if err != nil {
				return err
			}
			request.Supplies = append(request.Supplies, item)
		}
	}
	if given("also") {
		request.FurtherNeeds = nil
		for _, text := range q.also {
			further, err := c.furtherNeed(cmd, request.GetNeed(), text, request.GetLabour().GetHourlyRate())
			if err != nil {
				return err
			}
			request.FurtherNeeds = append(request.FurtherNeeds, further)
		}
	}
	return nil
}

// set writes a value where it is given.
func set[T any](given bool, into *T, value T) {
	if given {
		*into = value
	}
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
