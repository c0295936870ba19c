package vin_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/check"
)

const (
	car     = fitmentv1.Vehicle_PASSENGER_CAR
	light   = fitmentv1.Vehicle_LIGHT_TRUCK
	heavy   = fitmentv1.Vehicle_HEAVY_VEHICLE
	trailer = fitmentv1.Vehicle_TRAILER
	unclear = fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED

	yes     = fitmentv1.Finding_YES
	no      = fitmentv1.Finding_NO
	unknown = fitmentv1.Finding_UNKNOWN
)

func decode(t *testing.T, number, market string, class fitmentv1.Vehicle_VehicleClass) *fitmentv1.DecodeVinResponse {
	t.Helper()
	req := &fitmentv1.DecodeVinRequest{Vin: number, Market: market, VehicleClass: class}
	var fields check.Fields
	vin.Validate(req, &fields)
	if !fields.OK() {
		t.Fatalf("%s refused: %v", number, fields.Violations())
	}
	return vin.Decode(req)
}

func TestPublishedAndComputedNumbers(t *testing.T) {
	t.Parallel()
	cases := []struct {
		source, number, digit string
		class                 fitmentv1.Vehicle_VehicleClass
		years                 []int32
	}{
		{"49 CFR part 565, sample calculation: sum 411, remainder 4", "1G4AH59H45G118341", "4", car, []int32{2005}},
		{"NHTSA outline of new manufacturer information: sum 314, remainder 6", "1J9RP1A36A1644345", "6", trailer, []int32{2010, 1980}},
		{"from memory; computed by the rule: sum 351, remainder 10", "1M8GDM9AXKP042788", "X", car, []int32{1989}},
		{"from memory; computed by the rule: sum 89, remainder 1", "11111111111111111", "1", car, []int32{2001}},
		{"computed by the rule: sum 368, remainder 5", "JHMCM56557C404453", "5", car, []int32{2007}},
		{"computed by the rule; position 7 by 73 FR 23367", "1AAAA11A9AA000001", "9", car, []int32{1980}},
		{"computed by the rule; position 7 by 73 FR 23367", "1AAAA1AA9AA000001", "9", light, []int32{2010}},
		{"computed by the rule; position 7 by 73 FR 23367", "1AAAAAAA15A000001", "1", car, []int32{2035}},
		{"computed by the rule: equal values exchanged go unseen (positions 5 and 6 of a number above)", "1M8GMD9AXKP042788", "X", car, []int32{1989}},
	}
	for _, c := range cases {
		got := decode(t, c.number, "US", c.class)
		if want := (&fitmentv1.CheckDigit{Expected: c.digit, Actual: c.digit, Applies: yes}); !got.GetValid() || got.GetCheckDigit().String() != want.String() {
			t.Errorf("%s (%s): valid %t, digit %v, want %v", c.number, c.source, got.GetValid(), got.GetCheckDigit(), want)
		}
		if diff := cmp.Diff(c.years, got.GetModelYears()); diff != "" {
			t.Errorf("%s (%s): model years %s", c.number, c.source, diff)
		}
	}
}

// The decimal table in NHTSA's outline prints .634 for 7/11; the remainder
// itself has no such slip. And 10 is X, which a sum modulo 10 never gives.
func TestEveryRemainderHasItsOwnDigit(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, last := range "0123456789" {
		for _, before := range "0123456789" {
			got := decode(t, "1AAAA11A0AA0000"+string(before)+string(last), "", car)
			seen[got.GetCheckDigit().GetExpected()] = true
		}
	}
	if len(seen) != 11 {
		t.Errorf("digits seen %v, want all eleven", seen)
	}
}

func TestYearCodes(t *testing.T) {
	t.Parallel()
	// 49 CFR 565.15(d)(1); details of the table from memory.
	table := map[byte]int32{
		'A': 1980, 'H': 1987, 'J': 1988, 'N': 1992, 'P': 1993, 'R': 1994, 'T': 1996, 'V': 1997, 'Y': 2000, '1': 2001, '9': 2009,
	}
	for code, early := range table {
		digitSeven := decode(t, "1AAAA11A0"+string(code)+"A000001", "US", car)
		letterSeven := decode(t, "1AAAA1AA0"+string(code)+"A000001", "US", light)
		if !slices.Equal(digitSeven.GetModelYears(), []int32{early}) || !slices.Equal(letterSeven.GetModelYears(), []int32{early + 30}) {
			t.Errorf("code %c: %v and %v, want %d and %d", code, digitSeven.GetModelYears(), letterSeven.GetModelYears(), early, early+30)
		}
	}
	for _, code := range "UZ0" {
		for market, valid := range map[string]bool{"US": false, "DE": true, "": true} {
			got := decode(t, right("1AAAA11A0"+string(code)+"A000001"), market, car)
			if got.GetValid() != valid || len(got.GetModelYears()) != 0 || !mentions(got, "no model-year code") {
				t.Errorf("code %c for market %q: valid %t, years %v, notes %v", code, market, got.GetValid(), got.GetModelYears(), got.GetNotes())
			}
		}
	}
}

// right puts the right check digit into a number.
func right(number string) string {
	digit := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: number}).GetCheckDigit().GetExpected()
	return number[:8] + digit + number[9:]
}

func mentions(got *fitmentv1.DecodeVinResponse, words string) bool {
	return strings.Contains(strings.Join(got.GetNotes(), " "), words)
}

func TestTheRuleAppliesByMarketAndNeverByTheFirstCharacter(t *testing.T) {
	t.Parallel()
	for market, applies := range map[string]fitmentv1.Finding_Answer{
		"US": yes, "us": yes, "CA": yes, "MX": unknown, "PR": unknown, "": unknown, "DE": no, "JP": no, "GB": no,
	} {
		for _, wrong := range []string{"1M8GDM9A0KP042788", "WM8GDM9A9KP042788", "JM8GDM9A9KP042788"} {
			got := decode(t, wrong, market, car)
			if got.GetCheckDigit().GetExpected() == got.GetCheckDigit().GetActual() {
				t.Fatalf("%s is no example of a wrong digit", wrong)
			}
			if got.GetCheckDigit().GetApplies() != applies || got.GetValid() != (applies != yes) {
				t.Errorf("%s for %q: applies %v, valid %t", wrong, market, got.GetCheckDigit().GetApplies(), got.GetValid())
			}
			if !mentions(got, "the rule of 49 CFR 565.15 gives") {
				t.Errorf("%s for %q: no note on the digit in %v", wrong, market, got.GetNotes())
			}
		}
	}
}

func TestYearsStayOpenWhereNothingDecides(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		number, market string
		class          fitmentv1.Vehicle_VehicleClass
		years          []int32
		settled        int32
	}{
		"class not stated, digit":          {"1M8GDM9AXKP042788", "US", unclear, []int32{1989, 2019}, 0},
		"class not stated, letter":         {"1AAAA1AA9AA000001", "US", unclear, []int32{2010, 1980}, 0},
		"class not stated, future":         {"1AAAAAAA15A000001", "US", unclear, []int32{2005, 2035}, 0},
		"heavy":                            {"1M8GDM9AXKP042788", "US", heavy, []int32{1989, 2019}, 0},
		"market not stated, digit right":   {"1M8GDM9AXKP042788", "", car, []int32{1989}, 1989},
		"market not stated, digit wrong":   {"1M8GDM9A0KP042788", "", car, []int32{1989, 2019}, 0},
		"market outside, year code is not": {"1M8GDM9AXKP042788", "DE", car, []int32{1989, 2019}, 0},
	}
	for name, c := range cases {
		got := decode(t, c.number, c.market, c.class)
		if !slices.Equal(got.GetModelYears(), c.years) || got.GetVehicle().GetModelYear() != c.settled {
			t.Errorf("%s: years %v, vehicle %d, want %v and %d", name, got.GetModelYears(), got.GetVehicle().GetModelYear(), c.years, c.settled)
		}
	}
	if got := decode(t, "1AAAAAAA15A000001", "US", car); !mentions(got, "lies in the future") {
		t.Errorf("2035 is not flagged: %v", got.GetNotes())
	}
}

func TestVehicleHoldsWhatWasStatedAndWhatTheNumberSettles(t *testing.T) {
	t.Parallel()
	got := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: "1m8gdm9axkp042788", Market: "us", VehicleClass: car, Make: "Tolvane", Model: "Two"})
	want := &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042788", Make: "Tolvane", Model: "Two", ModelYear: 1989, Market: "US", Plant: "P", VehicleClass: car}
	if got.GetVin() != want.GetVin() || got.GetVehicle().String() != want.String() {
		t.Errorf("got %v, want %v", got.GetVehicle(), want)
	}
	abroad := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: "1M8GDM9AXKP042788", Market: "DE"})
	if abroad.GetVehicle().GetPlant() != "" || !mentions(abroad, "Outside North America") {
		t.Errorf("outside the rule position 11 was read as a plant: %v", abroad)
	}
}

func TestSmallMakersAndSerials(t *testing.T) {
	t.Parallel()
	// NHTSA's outline: position 3 is 9, and positions 12 to 14 extend the maker.
	if got := decode(t, "1J9RP1A36A1644345", "US", trailer); !mentions(got, "644") || !got.GetValid() {
		t.Errorf("small maker: %v", got)
	}
	// 49 CFR 565.15(d), from memory: five digits at the end of a light vehicle's
	// number, four at the end of others.
	letter := right("1AAAA11A0AA0A0001")
	for class, valid := range map[fitmentv1.Vehicle_VehicleClass]bool{car: false, heavy: true} {
		if got := decode(t, letter, "US", class); got.GetValid() != valid {
			t.Errorf("%s as %v: valid %t, notes %v", letter, class, got.GetValid(), got.GetNotes())
		}
	}
	if got := decode(t, letter, "DE", car); !got.GetValid() {
		t.Errorf("the serial's form was demanded outside the rule: %v", got.GetNotes())
	}
}

func TestWhatIsNoVINIsRefusedByPosition(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		number string
		want   []string
	}{
		"I":            {"1I8GDM9AXKP042788", []string{"I at position 2"}},
		"O and Q":      {"1M8GDM9AXKPO4278q", []string{"O at position 12", "q at position 17"}},
		"short":        {"1M8GDM9AXKP04278", []string{"16 characters"}},
		"long":         {"1M8GDM9AXKP0427888", []string{"18 characters"}},
		"empty":        {"", []string{"0 characters"}},
		"hyphen":       {"1M8-DM9AXKP042788", []string{"'-' at position 4"}},
		"long s":       {"1M8GDM9AXKP04278ſ", []string{"'ſ' at position 17"}},
		"dotless i":    {"1M8GDM9AXKP04278ı", []string{"'ı' at position 17"}},
		"invalid UTF8": {"1M8GDM9AXKP04278\xff", []string{"at position 17"}},
		"space":        {" M8GDM9AXKP042788", []string{"' ' at position 1"}},
	}
	for name, c := range cases {
		var fields check.Fields
		vin.Validate(&fitmentv1.DecodeVinRequest{Vin: c.number}, &fields)
		found := fields.Violations()
		if len(found) != len(c.want) {
			t.Errorf("%s: %v, want %v", name, found, c.want)
			continue
		}
		for i, v := range found {
			if v.Field != "vin" || !strings.Contains(v.Problem, c.want[i]) || v.Expected == "" {
				t.Errorf("%s: %v, want %s", name, v, c.want[i])
			}
		}
	}
}

func TestOtherFieldsAreChecked(t *testing.T) {
	t.Parallel()
	for field, req := range map[string]*fitmentv1.DecodeVinRequest{
		"market":        {Market: "ZZ"},
		"vehicle_class": {VehicleClass: 99},
		"make":          {Make: "a\x00"},
		"model":         {Model: strings.Repeat("x", 101)},
	} {
		req.Vin = "1M8GDM9AXKP042788"
		var fields check.Fields
		vin.Validate(req, &fields)
		if got := fields.Violations(); len(got) != 1 || got[0].Field != field {
			t.Errorf("%s: violations %v", field, got)
		}
	}
}

// values is 49 CFR 565.15(c), Table III, written anew.
var values = map[rune]int{
	'A': 1, 'B': 2, 'C': 3, 'D': 4, 'E': 5, 'F': 6, 'G': 7, 'H': 8, 'J': 1, 'K': 2, 'L': 3, 'M': 4, 'N': 5, 'P': 7, 'R': 9,
	'S': 2, 'T': 3, 'U': 4, 'V': 5, 'W': 6, 'X': 7, 'Y': 8, 'Z': 9,
	'0': 0, '1': 1, '2': 2, '3': 3, '4': 4, '5': 5, '6': 6, '7': 7, '8': 8, '9': 9,
}

const legal = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"

func TestOneChangedValueIsAlwaysCaught(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		number := right(rapid.StringOfN(rapid.RuneFrom([]rune(legal)), vin.Length, vin.Length, -1).Draw(t, "number"))
		got := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: number})
		if got.GetCheckDigit().GetExpected() != got.GetCheckDigit().GetActual() {
			t.Fatalf("%s does not pass with its own digit", number)
		}
		at := rapid.IntRange(0, vin.Length-1).Draw(t, "position")
		c := rapid.RuneFrom([]rune(legal)).Draw(t, "character")
		changed := number[:at] + string(c) + number[at+1:]
		after := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: changed}).GetCheckDigit()
		passes := after.GetExpected() == after.GetActual()
		same := values[c] == values[rune(number[at])]
		if at == 8 {
			same = byte(c) == number[at]
		}
		if passes != same {
			t.Fatalf("%s → %s: passes %t, same value %t", number, changed, passes, same)
		}
	})
}

func FuzzDecode(f *testing.F) {
	f.Add("1M8GDM9AXKP042788", "US", int32(1))
	f.Fuzz(func(t *testing.T, number, market string, class int32) {
		req := &fitmentv1.DecodeVinRequest{Vin: number, Market: market, VehicleClass: fitmentv1.Vehicle_VehicleClass(class)}
		var fields check.Fields
		vin.Validate(req, &fields)
		got := vin.Decode(req)
		if !fields.OK() {
			return
		}
		digit := got.GetCheckDigit()
		switch {
		case got.GetVin() != strings.ToUpper(number):
			t.Errorf("vin %q from %q", got.GetVin(), number)
		case digit.GetApplies() == yes && got.GetValid() && digit.GetExpected() != digit.GetActual():
			t.Errorf("valid with a wrong digit: %v", got)
		case digit.GetApplies() != yes && !got.GetValid():
			t.Errorf("a verdict where the rule is not known to apply: %v", got)
		case len(got.GetModelYears()) > 2 || (len(got.GetModelYears()) != 1 && got.GetVehicle().GetModelYear() != 0):
			t.Errorf("model years %v, vehicle's %d", got.GetModelYears(), got.GetVehicle().GetModelYear())
		case len(got.GetNotes()) == 0:
			t.Error("no note")
		case got.GetVehicle().GetDoors() < 0 || got.GetVehicle().GetDoors() > 9:
			t.Errorf("%d doors", got.GetVehicle().GetDoors())
		}
		sameWithItsClass(t, req, got)
	})
}

// sameWithItsClass checks a class that the data settled: stated, it gives the
// same years and vehicle.
func sameWithItsClass(t *testing.T, req *fitmentv1.DecodeVinRequest, got *fitmentv1.DecodeVinResponse) {
	t.Helper()
	class := got.GetVehicle().GetVehicleClass()
	if class == req.GetVehicleClass() {
		return
	}
	if req.GetVehicleClass() != unclear {
		t.Errorf("class %v became %v", req.GetVehicleClass(), class)
	}
	again := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: req.GetVin(), Market: req.GetMarket(), VehicleClass: class})
	if !slices.Equal(again.GetModelYears(), got.GetModelYears()) || again.GetVehicle().String() != got.GetVehicle().String() {
		t.Errorf("with class %v: %v, without: %v", class, again, got)
	}
}
