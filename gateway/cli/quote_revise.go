package cli

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// changed is the request of a stored quote with those flags written over it that
// were given.
func (q *quoteFlags) changed(c *connection, cmd *cobra.Command, name string) (*quotev1.PrepareQuoteRequest, error) {
	stored, err := c.storedQuote(cmd.Context(), name)
	if err != nil {
		return nil, err
	}
	// A repeat under the request id of the first is the server's to answer.
	if ended(stored.GetState()) && !cmd.Flags().Changed("request-id") {
		return nil, fmt.Errorf("%s is %s: it stays as it is", name, words(stored.GetState()))
	}
	request, given := quote.RequestOf(stored), cmd.Flags().Changed
	if request.GetLabour() == nil {
		request.Labour = &quotev1.Labour{}
	}
	if err := sameCurrency(request, q.currency, given); err != nil {
		return nil, err
	}
	before := proto.CloneOf(request.GetNeed())
	if err := q.need.change(c, cmd, request); err != nil {
		return nil, err
	}
	if request.GetTaxPlace() == before.GetJurisdiction() { // it follows where the part is fitted
		request.TaxPlace = request.GetNeed().GetJurisdiction()
	}
	if err := q.into(c, cmd, request, given); err != nil {
		return nil, err
	}
	for _, further := range request.GetFurtherNeeds() {
		if given("hourly-rate") && further.GetLabour() != nil {
			further.Labour.HourlyRate = request.GetLabour().GetHourlyRate()
		}
	}
	return request, nil
}

// ended tells whether a quote in this state has no further version.
func ended(state quotev1.Quote_State) bool {
	return state == quotev1.Quote_ACCEPTED || state == quotev1.Quote_PARTLY_ACCEPTED || state == quotev1.Quote_SUPERSEDED
}

// sameCurrency refuses another currency while amounts of the quote would stay.
func sameCurrency(request *quotev1.PrepareQuoteRequest, currency string, given func(flag string) bool) error {
	if !given("currency") || currency == request.GetCurrencyCode() {
		return nil
	}
	l := request.GetLimits()
	for _, amount := range []struct {
		flag   string
		stored bool
	}{
		{"day-cost", request.GetDayCost() != 0},
		{"hourly-rate", request.GetLabour().GetHourlyRate() != 0},
		{"late-cost", request.GetLateCost() != 0},
		{"supply", len(request.GetSupplies()) > 0},
		{"max-cost", l.GetMaxCost() != 0},
		{"max-cvar", l.GetMaxCvar() != 0},
	} {
		if amount.stored && !given(amount.flag) {
			return usageError{fmt.Errorf("--%s: is in %s so far; with another --currency it is given anew", amount.flag, request.GetCurrencyCode())}
		}
	}
	return nil
}

// change writes the flags of a need that are given into a request. The parts of the
// quote are for one vehicle in one place: what is said of these holds for all.
func (n *needFlags) change(c *connection, cmd *cobra.Command, request *quotev1.PrepareQuoteRequest) error {
	given := cmd.Flags().Changed
	if n.kept == "" && !slices.ContainsFunc(n.describing, given) {
		return nil
	}
	said, err := n.need(c, cmd)
	if err != nil {
		return err
	}
	if n.kept != "" {
		request.Need = said
	} else {
		overwrite(request.GetNeed(), said, given)
	}
	for _, further := range request.GetFurtherNeeds() {
		further.Need.Vehicle = proto.CloneOf(request.GetNeed().GetVehicle())
		further.Need.Jurisdiction = request.GetNeed().GetJurisdiction()
	}
	return nil
}

// overwrite writes what is said of a need over it, flag by flag.
func overwrite(need, said *fitmentv1.Need, given func(flag string) bool) {
	if need.GetVehicle() == nil {
		need.Vehicle = &fitmentv1.Vehicle{}
	}
	if need.GetPosition() == nil {
		need.Position = &fitmentv1.Position{}
	}
	set(given("kind"), &need.Kind, said.GetKind())
	set(given("row"), &need.Position.Row, said.GetPosition().GetRow())
	set(given("side"), &need.Position.Side, said.GetPosition().GetSide())
	set(given("part-maker"), &need.PartMaker, said.GetPartMaker())
	set(given("part-number"), &need.PartNumber, said.GetPartNumber())
	set(given("jurisdiction"), &need.Jurisdiction, said.GetJurisdiction())
	v, w := need.GetVehicle(), said.GetVehicle()
	set(given("vin"), &v.Vin, w.GetVin())
	set(given("make"), &v.Make, w.GetMake())
	set(given("model"), &v.Model, w.GetModel())
	set(given("year"), &v.ModelYear, w.GetModelYear())
	set(given("body"), &v.Body, w.GetBody())
	set(given("drive-side"), &v.DriveSide, w.GetDriveSide())
	set(given("market"), &v.Market, w.GetMarket())
	set(given("built"), &v.BuildDate, w.GetBuildDate())
	set(given("plant"), &v.Plant, w.GetPlant())
	set(given("option"), &v.Options, w.GetOptions())
	set(given("every-option"), &v.OptionsComplete, w.GetOptionsComplete())
	set(given("restraint-text"), &v.RestraintText, w.GetRestraintText())
}
