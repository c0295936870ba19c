package vin_test

import (
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/fitment/vindata"
	"beltwright.example/services/platform/check"
)

// referenceAnswer is what package vindata's reference decoder says about a VIN.
type referenceAnswer struct {
	number, make, model string
	year                int32
	agreed              bool
}

func referenceAnswers(t *testing.T) []referenceAnswer {
	t.Helper()
	text, err := os.ReadFile("../vindata/testdata/reference.tsv")
	if err != nil {
		t.Fatal(err)
	}
	var list []referenceAnswer
	for line := range strings.Lines(string(text)) {
		c := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		year, err := strconv.Atoi(c[3])
		if err != nil || len(c) != 5 {
			t.Fatalf("%q: %v", line, err)
		}
		list = append(list, referenceAnswer{number: c[0], make: c[1], model: c[2], year: int32(year), agreed: c[4] == ""})
	}
	return list
}

// With the class stated, the model year is the reference decoder's for every VIN,
// and make and model are, but for the differences that the golden file explains.
func TestDecodeGivesTheReferenceDecodersYearMakeAndModel(t *testing.T) {
	t.Parallel()
	settled := 0
	for _, a := range referenceAnswers(t) {
		got := decode(t, a.number, "US", light)
		v := got.GetVehicle()
		if digit := got.GetCheckDigit(); digit.GetExpected() != digit.GetActual() {
			t.Errorf("%s: the sample has a wrong check digit", a.number)
		}
		if v.GetModelYear() != a.year || !slices.Equal(got.GetModelYears(), []int32{a.year}) {
			t.Errorf("%s: years %v, reference %d", a.number, got.GetModelYears(), a.year)
		}
		if a.agreed && (v.GetMake() != a.make || v.GetModel() != a.model) {
			t.Errorf("%s: %q %q, reference %q %q", a.number, v.GetMake(), v.GetModel(), a.make, a.model)
		}
		if v.GetMake() != "" && got.GetVinData() != vindata.Version() {
			t.Errorf("%s: the data's version is %q", a.number, got.GetVinData())
		}
		// Without it, the year is open or the same, never another one.
		open := decode(t, a.number, "US", unclear)
		if !slices.Contains(open.GetModelYears(), a.year) {
			t.Errorf("%s without a class: years %v, reference %d", a.number, open.GetModelYears(), a.year)
		}
		if open.GetVehicle().GetModelYear() != 0 {
			settled++
			if class := open.GetVehicle().GetVehicleClass(); class != car && class != light {
				t.Errorf("%s: a year without a class that settles it (%v)", a.number, class)
			}
		}
	}
	if settled < 1000 {
		t.Errorf("the data settled the year of %d VINs, want at least 1000", settled)
	}
}

// known is a VIN of the golden file for which the data has a model.
func known(t *testing.T) referenceAnswer {
	t.Helper()
	for _, a := range referenceAnswers(t) {
		record, _ := vindata.Lookup(a.number, a.year)
		if a.agreed && record.Matched && record.Type == vindata.PassengerCar && record.Body != "" && record.Plant() != "" && record.Doors > 0 && record.Restraint != "" {
			return a
		}
	}
	t.Fatal("no VIN of the golden file has everything")
	return referenceAnswer{}
}

func TestStatedWordsStayAndContradictionsAreSaid(t *testing.T) {
	t.Parallel()
	a := known(t)
	record, _ := vindata.Lookup(a.number, a.year)
	ask := func(maker, model string) *fitmentv1.DecodeVinResponse {
		return vin.Decode(&fitmentv1.DecodeVinRequest{Vin: a.number, Market: "US", Make: maker, Model: model})
	}
	full := &fitmentv1.Vehicle{
		Vin: a.number, Make: a.make, Model: a.model, ModelYear: a.year, Market: "US", VehicleClass: car, Body: record.Body,
		Doors: record.Doors, Plant: record.Plant(), RestraintText: record.Restraint,
	}
	got := ask("", "")
	full.Series = got.GetVehicle().GetSeries()
	if !proto.Equal(got.GetVehicle(), full) || !mentions(got, "unknown, not absent") || !mentions(got, "passenger car") {
		t.Errorf("nothing stated: %v", got)
	}
	same := ask(strings.ToLower(a.make), " "+strings.ToUpper(a.model))
	if v := same.GetVehicle(); v.GetMake() != strings.ToLower(a.make) || v.GetBody() != record.Body || mentions(same, "as stated") {
		t.Errorf("the same in other capitals: %v", same)
	}
	for _, stated := range [][2]string{{"Tolvane", ""}, {"", "Tolvane Two"}, {"Tolvane", "Two"}} {
		other := ask(stated[0], stated[1])
		v := other.GetVehicle()
		if v.GetMake() != stated[0] || v.GetModel() != stated[1] || v.GetBody() != "" || v.GetRestraintText() != "" || v.GetPlant() != a.number[10:11] {
			t.Errorf("%v stated: %v", stated, v)
		}
		if !mentions(other, "as stated") || other.GetVinData() == "" {
			t.Errorf("%v stated: no word of the contradiction in %v", stated, other.GetNotes())
		}
	}
}

// The data is about the market it was filed for, and about numbers without slips.
func TestDataIsNotUsedWhereItProvesNothing(t *testing.T) {
	t.Parallel()
	a := known(t)
	slip := a.number[:16] + string('0'+(a.number[16]-'0'+1)%10)
	for what, req := range map[string]*fitmentv1.DecodeVinRequest{
		"outside the rule":            {Vin: a.number, Market: "DE"},
		"a slip":                      {Vin: slip, Market: "US"},
		"a slip, market not stated":   {Vin: slip},
		"an identifier without light": {Vin: "1M8GDM9AXKP042788", Market: "US"},
	} {
		if got := vin.Decode(req); got.GetVehicle().GetMake() != "" || got.GetVinData() != "" || got.GetVehicle().GetBody() != "" {
			t.Errorf("%s: %v", what, got)
		}
	}
	if got := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: a.number}); got.GetVehicle().GetMake() != a.make {
		t.Errorf("market not stated, digit right: %v", got)
	}
}

// Where the data has several models, all are named, and one that the user states
// is no contradiction.
func TestUndecidedModelsAreNamed(t *testing.T) {
	t.Parallel()
	tried := 0
	for _, a := range referenceAnswers(t) {
		record, _ := vindata.Lookup(a.number, a.year)
		if len(record.Candidates) == 0 {
			continue
		}
		tried++
		req := &fitmentv1.DecodeVinRequest{Vin: a.number, Market: "US", VehicleClass: light}
		got := vin.Decode(req)
		if got.GetVehicle().GetModel() != "" || !mentions(got, "does not decide") || !mentions(got, record.Candidates[1].Model) {
			t.Errorf("%s: %v", a.number, got)
		}
		req.Make, req.Model = record.Candidates[1].Make, record.Candidates[1].Model
		if got := vin.Decode(req); mentions(got, "as stated") || mentions(got, "does not decide") {
			t.Errorf("%s: one of the candidates is contradicted: %v", a.number, got.GetNotes())
		}
		req.Model = "Tolvane Two"
		if got := vin.Decode(req); !mentions(got, "as stated") {
			t.Errorf("%s: none of the candidates, and no word of it: %v", a.number, got.GetNotes())
		}
	}
	if tried == 0 {
		t.Error("no VIN of the golden file is undecided")
	}
}

func TestFiledFieldsAreChecked(t *testing.T) {
	t.Parallel()
	for field, v := range map[string]*fitmentv1.Vehicle{
		"v.doors":          {Doors: 10},
		"v.restraint_text": {RestraintText: strings.Repeat("x", 4001)},
		"":                 {Doors: 9, RestraintText: strings.Repeat("x", 4000)},
	} {
		var fields check.Fields
		vin.ValidateFiled(v, "v.", &fields)
		if got := fields.Violations(); (field == "") != (len(got) == 0) || (field != "" && got[0].Field != field) {
			t.Errorf("%q: %v", field, got)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	text, err := os.ReadFile("../vindata/testdata/reference.tsv")
	if err != nil {
		b.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	vindata.About() // unpacked once, before the clock runs
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		vin.Decode(&fitmentv1.DecodeVinRequest{Vin: lines[i%len(lines)][:vin.Length], Market: "US"})
	}
}
