package offers_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/quote/offers"
	"beltwright.example/services/store"
)

// row is a good row with some cells replaced.
func row(changes ...string) imports.Row {
	cells := map[string]string{
		"supplier": "Northline Supply", "item_number": "N-77", "condition": "Remanufactured", "part_maker": "Norrland",
		"part_number": "NB 40-118", "kind": "buckle pretensioner", "currency": "USD", "price": "180.00", "core_deposit": "50",
		"freight": "12.5", "handling": "35.00", "return_freight": "14.00", "restocking_percent": "20", "days": "4",
		"available": "yes", "valid_until": "2026-12-31", "freight_per_kilogram": "2.00", "weight_grams": "1450", "un_number": "un 3268",
		"in_component": "no", "core_days": "30", "core_return_freight": "18.5", "warranty_days": "365",
	}
	for i := 0; i < len(changes); i += 2 {
		cells[changes[i]] = changes[i+1]
	}
	return imports.NewRow(2, cells)
}

func TestAGoodRow(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	item, ok := offers.Target().Map(row(), "shop-a", &fields)
	if !ok || !fields.OK() {
		t.Fatal(fields.Err())
	}
	if want := (store.Key{Tenant: "shop-a", Kind: "offer", ID: "northline-supply.N-77"}); item.Key != want || item.Name != "offers/northline-supply.N-77" {
		t.Errorf("key %v, name %s", item.Key, item.Name)
	}
	value, unchanged, err := item.Merge(nil)
	if err != nil || unchanged {
		t.Fatal(unchanged, err)
	}
	got := &quotev1.Offer{}
	if err := proto.Unmarshal(value, got); err != nil {
		t.Fatal(err)
	}
	want := &quotev1.Offer{
		Supplier: "Northline Supply", ItemNumber: "N-77", Condition: quotev1.Offer_REMANUFACTURED, PartMaker: "Norrland",
		PartNumber: "NB 40-118", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, CurrencyCode: "USD", Price: 180_00, CoreDeposit: 50_00,
		Freight: 12_50, Handling: 35_00, ReturnFreight: 14_00, RestockingBasisPoints: 20_00, Days: 4, Available: true, ValidUntil: "2026-12-31",
		FreightPerKilogram: 2_00, WeightGrams: 1450, UnNumber: "UN3268", CoreDays: 30, CoreReturnFreight: 18_50, WarrantyDays: 365,
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("offer (-want +got):\n%s", diff)
	}
	if _, unchanged, err := item.Merge(value); err != nil || !unchanged {
		t.Errorf("the same row again: unchanged %t, %v", unchanged, err)
	}
	dearer, _ := offers.Target().Map(row("price", "181"), "shop-a", &fields)
	if again, unchanged, err := dearer.Merge(value); err != nil || unchanged || slices.Equal(again, value) {
		t.Errorf("another price: unchanged %t, %v", unchanged, err)
	}
	if _, _, err := item.Merge([]byte("\xff")); err == nil {
		t.Error("a broken record is taken for an offer")
	}
}

func TestWhatMayBeLeftOut(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	item, ok := offers.Target().Map(row("core_deposit", "", "freight", "", "handling", "", "return_freight", "",
		"restocking_percent", "", "available", "", "valid_until", "", "currency", "JPY", "price", "18000", "freight_per_kilogram", "",
		"weight_grams", "", "un_number", "", "in_component", "", "core_days", "", "core_return_freight", "", "warranty_days", ""), "shop-a", &fields)
	if !ok {
		t.Fatal(fields.Err())
	}
	value, _, err := item.Merge(nil)
	if err != nil {
		t.Fatal(err)
	}
	got := &quotev1.Offer{}
	if err := proto.Unmarshal(value, got); err != nil {
		t.Fatal(err)
	}
	if !got.GetAvailable() || got.GetPrice() != 18000 {
		t.Errorf("available %t, price %d", got.GetAvailable(), got.GetPrice())
	}
	if got.GetUnNumber() != "" || got.GetWeightGrams() != 0 || got.GetCoreDays() != 0 || got.GetWarrantyDays() != 0 || got.GetInComponent() {
		t.Errorf("what is not stated is %v", got)
	}
}

func TestRowsThatAreRefused(t *testing.T) {
	t.Parallel()
	for _, test := range []struct{ column, cell string }{
		{"supplier", ""},
		{"supplier", "ΩΩ"},
		{"supplier", strings.Repeat("supplier ", 9)},
		{"item_number", ""},
		{"item_number", "a:b"},
		{"item_number", strings.Repeat("1", 41)},
		{"condition", ""},
		{"condition", "used"},
		{"part_maker", ""},
		{"part_number", ""},
		{"part_number", "NB#40"},
		{"kind", ""},
		{"kind", "kind unspecified"},
		{"kind", "seat"},
		{"currency", "usd"},
		{"currency", ""},
		{"currency", "XYZ"}, // well-formed, and nobody's money
		{"supplier", "Ölwerk"},
		{"price", ""},
		{"price", "-1"},
		{"price", "1.005"},
		{"price", "1e3"},
		{"price", "NaN"},
		{"price", "1,000.00"},
		{"price", "99999999999999999999"},
		{"core_deposit", "x"},
		{"freight", "-0.01"},
		{"handling", "+1"},
		{"return_freight", "$4"},
		{"restocking_percent", "100.01"},
		{"restocking_percent", "-1"},
		{"restocking_percent", "12.345"},
		{"days", ""},
		{"days", "1.5"},
		{"days", "-1"},
		{"days", "4000"},
		{"available", "maybe"},
		{"freight_per_kilogram", "-1"},
		{"freight_per_kilogram", "2/kg"},
		{"weight_grams", "1000001"},
		{"weight_grams", "-1"},
		{"weight_grams", "1.45"},
		{"weight_grams", "1450 g"},
		{"un_number", "UN3269"},
		{"un_number", "3268"},
		{"in_component", "seat"},
		{"core_days", "366"},
		{"core_days", "-1"},
		{"core_days", "4294967297"}, // 1 in the low 32 bits
		{"core_return_freight", "1e2"},
		{"warranty_days", "3651"},
		{"warranty_days", "a year"},
		{"valid_until", "31.12.2026"},
		{"valid_until", "2026-02-30"},
	} {
		var fields check.Fields
		_, ok := offers.Target().Map(row(test.column, test.cell), "shop-a", &fields)
		names := make(map[string]bool)
		for _, v := range fields.Violations() {
			names[v.Field] = true
			if v.Expected == "" || v.Problem == "" {
				t.Errorf("%s %q: says %q, expected %q", test.column, test.cell, v.Problem, v.Expected)
			}
		}
		if ok || len(names) != 1 || !names[test.column] {
			t.Errorf("%s %q: accepted %t, violations %v", test.column, test.cell, ok, fields.Violations())
		}
	}
}

func TestEveryColumnIsDocumentedAndRead(t *testing.T) {
	t.Parallel()
	for _, column := range offers.Target().Columns {
		if column.Help == "" {
			t.Errorf("%s has no help", column.Name)
		}
		var fields check.Fields
		if _, ok := offers.Target().Map(row(column.Name, "\x00?"), "shop-a", &fields); ok {
			t.Errorf("%s is not read", column.Name)
		}
	}
}

// FuzzMap: any row is either refused with a column that exists, or makes an
// offer that makes sense and survives being read again.
func FuzzMap(f *testing.F) {
	f.Add("Northline", "1", "new", "Norrland", "NB1", "clock spring", "USD", "1.00", "20", "4", "no", "2026-01-01")
	f.Add("", "", "", "", "", "", "", "", "", "", "", "")
	f.Add("Ünï", "a.b", "NEW", "m", "N/B", "BUCKLE_PRETENSIONER", "JPY", "1.0", "100.00", "3650", "", "")
	columns := make(map[string]bool)
	for _, c := range offers.Target().Columns {
		columns[c.Name] = true
	}
	f.Fuzz(func(t *testing.T, supplier, item, condition, maker, number, kind, currency, price, restocking, days, available, until string) {
		r := row("supplier", supplier, "item_number", item, "condition", condition, "part_maker", maker, "part_number", number, "kind", kind,
			"currency", currency, "price", price, "restocking_percent", restocking, "days", days, "available", available, "valid_until", until)
		var fields check.Fields
		made, ok := offers.Target().Map(r, "shop-a", &fields)
		if ok != fields.OK() {
			t.Fatalf("accepted %t with %v", ok, fields.Violations())
		}
		for _, v := range fields.Violations() {
			if !columns[v.Field] {
				t.Fatalf("%q is no column", v.Field)
			}
		}
		if ok {
			if err := sound(made); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// FuzzCarriage: the cells about shipping and the old part are either refused by
// their own name, or within their limits.
func FuzzCarriage(f *testing.F) {
	f.Add("1450", "UN3268", "no", "30", "18.50", "365")
	f.Add("", "", "", "", "", "")
	f.Add("1000001", "UN9999", "seat", "-1", "1e9", "4294967297")
	f.Fuzz(func(t *testing.T, weight, un, inside, days, freight, warranty string) {
		changes := []string{
			"weight_grams", weight, "un_number", un, "in_component", inside, "core_days", days, "core_return_freight", freight,
			"freight_per_kilogram", freight, "warranty_days", warranty,
		}
		var fields check.Fields
		made, ok := offers.Target().Map(row(changes...), "shop-a", &fields)
		for _, v := range fields.Violations() {
			if !slices.Contains(changes, v.Field) {
				t.Fatalf("%+v names another column", v)
			}
		}
		if ok != fields.OK() {
			t.Fatalf("accepted %t with %v", ok, fields.Violations())
		}
		if ok {
			if err := sound(made); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// sound checks an item that was made of an accepted row.
func sound(made imports.Item) error {
	value, _, err := made.Merge(nil)
	if err != nil {
		return err
	}
	offer := &quotev1.Offer{}
	if err := proto.Unmarshal(value, offer); err != nil {
		return err
	}
	switch {
	case len(made.Key.ID) > store.MaxKeyPart || made.Name != "offers/"+made.Key.ID || strings.ContainsAny(made.Key.ID, ":/\x00"):
		return fmt.Errorf("id %q", made.Key.ID)
	case offer.GetPrice() < 0 || offer.GetPrice() > amount.Max || offer.GetDays() < 0 || offer.GetKind() == 0 || offer.GetCondition() < quotev1.Offer_REMANUFACTURED:
		return fmt.Errorf("offer %v", offer)
	case offer.GetRestockingBasisPoints() < 0 || offer.GetRestockingBasisPoints() > 100_00:
		return fmt.Errorf("restocking %d", offer.GetRestockingBasisPoints())
	case offer.GetWeightGrams() < 0 || offer.GetWeightGrams() > 1_000_000 || offer.GetCoreDays() < 0 || offer.GetCoreDays() > 365 ||
		offer.GetWarrantyDays() < 0 || offer.GetWarrantyDays() > 3650:
		return fmt.Errorf("%d g, %d days for the old part, %d of warranty", offer.GetWeightGrams(), offer.GetCoreDays(), offer.GetWarrantyDays())
	case offer.GetFreightPerKilogram() < 0 || offer.GetFreightPerKilogram() > amount.Max || offer.GetCoreReturnFreight() < 0 || offer.GetCoreReturnFreight() > amount.Max:
		return fmt.Errorf("freight %d a kilogram, %d back", offer.GetFreightPerKilogram(), offer.GetCoreReturnFreight())
	case !slices.Contains([]string{"", "UN3268", "UN0503"}, offer.GetUnNumber()):
		return fmt.Errorf("UN number %q", offer.GetUnNumber())
	}
	if _, unchanged, err := made.Merge(value); err != nil || !unchanged {
		return errors.Join(errors.New("the same row again changes the offer"), err)
	}
	return nil
}
