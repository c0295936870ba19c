package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/quote/tax"
)

func TestTaxPacksAreListed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	list := func(place string) []*quotev1.TaxPack {
		got, err := w.ListTaxPacks(as(t, "shop-a"), &quotev1.ListTaxPacksRequest{Place: place})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetPacks()
	}
	var places []string
	for _, pack := range list("") {
		places = append(places, pack.GetPlace())
		if len(pack.GetRules()) == 0 || (pack.GetPlace() == "") != (pack.GetVersion() == "") {
			t.Errorf("%v", pack)
		}
	}
	if n := len(places); n < 4 || places[n-1] != "" || !slices.IsSorted(places[:n-1]) {
		t.Errorf("places %q", places)
	}
	says := func(pack *quotev1.TaxPack, text, source string) bool {
		return slices.ContainsFunc(pack.GetRules(), func(rule *quotev1.SourcedText) bool {
			return strings.Contains(rule.GetText(), text) && strings.Contains(rule.GetSource(), source)
		})
	}
	// 16 CCR 3356(c): supplies are itemised, no percentage of the labour.
	if got := list("US-CA"); len(got) != 1 || got[0].GetPlace() != "US-CA" || !says(got[0], "a general line for shop supplies is not allowed", "16 CCR 3356(c)") {
		t.Errorf("California: %v", got)
	}
	if got := list("US-ZZ"); len(got) != 1 || got[0].GetPlace() != "" || !says(got[0], "the rules of US-ZZ are not kept here", "") {
		t.Errorf("a place that is not known: %v", got)
	}
	for place, code := range map[string]codes.Code{"us-ca": codes.InvalidArgument, "California": codes.InvalidArgument} {
		_, err := w.ListTaxPacks(as(t, "shop-a"), &quotev1.ListTaxPacksRequest{Place: place})
		refused(t, err, code, fitmentv1.ErrorInfo_FIELD_INVALID)
	}
	_, err := w.ListTaxPacks(t.Context(), &quotev1.ListTaxPacksRequest{})
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// A deployment's pack that allows a percentage for supplies and taxes freight
// counts in quotes, too.
func TestADeploymentsTaxPackCountsInQuotes(t *testing.T) {
	t.Parallel()
	rule := func(answer tax.Answer) tax.Rule {
		return tax.Rule{Answer: answer, Text: "So it is.", Source: "invented"}
	}
	pack := tax.Pack{
		Place: "AQ", Name: "Ice", Version: "2026-11-25", PercentageSupplies: rule(tax.Yes),
		Taxed: map[tax.Line]tax.Rule{tax.Part: rule(tax.Yes), tax.Core: rule(tax.No), tax.Freight: rule(tax.Yes)},
	}
	packs, err := tax.Builtin().With(pack)
	if err != nil {
		t.Fatal(err)
	}
	quoted := func(packs *tax.Set, supplies string) (*quotev1.Option, error) {
		w := newWorldWith(t, 30*time.Second, func(o *server.Options) { o.TaxPacks = packs })
		w.list("yard-a", "1", 100_00)
		r := request()
		r.DryRun, r.RequestId, r.TaxPlace, r.TaxPercent, r.SuppliesPercent = true, "", "AQ", "10", supplies
		got, err := w.PrepareQuote(as(t, "shop-a"), r)
		if err != nil {
			return nil, err
		}
		return got.GetQuote().GetOptions()[0], nil
	}
	for name, c := range map[string]struct {
		packs   *tax.Set
		taxed   func(o *quotev1.Option) int64
		percent bool
	}{
		"the program's":    {nil, func(o *quotev1.Option) int64 { return o.GetPrice() + o.GetCoreDeposit() }, false},
		"the deployment's": {packs, func(o *quotev1.Option) int64 { return o.GetPrice() + o.GetFreight() }, true},
	} {
		option, err := quoted(c.packs, "")
		if err != nil {
			t.Fatal(err)
		}
		if got, want := option.GetTax(), c.taxed(option)/10; got != want {
			t.Errorf("%s: tax %d, want %d on %v", name, got, want, option)
		}
		if _, err := quoted(c.packs, "6"); (err == nil) != c.percent {
			t.Errorf("%s: supplies of 6 %%: %v", name, err)
		}
	}
}
