package catalogue_test

import (
	"fmt"
	"strconv"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

// What a random trade is made of. Numbers in another spelling are the same ones.
var (
	tradeMakers  = []string{"Korrin", "Korrin", "KORRIN ", "Velmark"}
	tradeNumbers = []string{"A1", "A-2", "A3", "B1", "B2", "C1"}
	tradeModels  = []string{"Kestrel", "Kestrel", "Merlin"}
	tradeKinds   = []fitmentv1.Part_Kind{fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_KNEE_AIR_BAG}
)

func drawTrade(t *rapid.T) *fitmentv1.Facts {
	facts := &fitmentv1.Facts{}
	for range rapid.IntRange(1, 6).Draw(t, "parts") {
		part := buckle(rapid.SampledFrom(tradeNumbers).Draw(t, "number"))
		part.Maker, part.Kind = rapid.SampledFrom(tradeMakers).Draw(t, "maker"), rapid.SampledFrom(tradeKinds).Draw(t, "kind")
		if rapid.Bool().Draw(t, "applies") {
			use := kestrel(2004, 2006)
			use.Model = rapid.SampledFrom(tradeModels).Draw(t, "model")
			part.Applications = append(part.Applications, use)
		}
		facts.Parts = append(facts.Parts, part)
	}
	for i := range rapid.IntRange(0, 7).Draw(t, "steps") {
		s := drawStep(t, tradeNumbers)
		s.Name, s.Maker = "supersessions/"+strconv.Itoa(i), rapid.SampledFrom(tradeMakers).Draw(t, "maker")
		facts.Supersessions = append(facts.Supersessions, s)
	}
	for i := range rapid.IntRange(0, 6).Draw(t, "recalls") {
		facts.Recalls = append(facts.Recalls, &fitmentv1.Recall{
			Name: "recalls/" + strconv.Itoa(9-i), Number: strconv.Itoa(i), AsOf: "2026-06-20",
			Type:       rapid.SampledFrom([]fitmentv1.Recall_Type{fitmentv1.Recall_NOTICE, fitmentv1.Recall_NOTICE, fitmentv1.Recall_COVERAGE}).Draw(t, "type"),
			PartMaker:  rapid.SampledFrom(tradeMakers).Draw(t, "maker"),
			PartNumber: rapid.SampledFrom(append([]string{"", "", "Z9"}, tradeNumbers...)).Draw(t, "number"),
			Kind:       rapid.SampledFrom([]fitmentv1.Part_Kind{0, fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_KNEE_AIR_BAG}).Draw(t, "kind"),
			Model:      rapid.SampledFrom(append([]string{"", ""}, tradeModels...)).Draw(t, "model"),
		})
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "rows") {
		facts.VehicleData = append(facts.VehicleData, &fitmentv1.VehicleData{
			Name: "vehicleData/" + strconv.Itoa(i), Make: rapid.SampledFrom([]string{"Velorn", "VELORN", "Oskeld"}).Draw(t, "make"),
			Model: rapid.SampledFrom(append([]string{""}, tradeModels...)).Draw(t, "model"), Dialect: "d-" + strconv.Itoa(i), WaitMinutes: new(float64(i)),
		})
	}
	return facts
}

func drawTradeListing(t *rapid.T) *fitmentv1.Listing {
	l := &fitmentv1.Listing{
		PartMaker:  rapid.SampledFrom(append([]string{"", ""}, tradeMakers...)).Draw(t, "listed maker"),
		PartNumber: rapid.SampledFrom(append([]string{"", "Z9", "?"}, tradeNumbers...)).Draw(t, "listed number"),
		Donor:      &fitmentv1.Vehicle{Make: rapid.SampledFrom([]string{"", "Velorn", "Oskeld"}).Draw(t, "donor"), Model: "Kestrel", ModelYear: 2005},
	}
	for range rapid.IntRange(0, 2).Draw(t, "statements") {
		e := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: rapid.SampledFrom(append([]string{"?"}, tradeNumbers...)).Draw(t, "stated")}
		if rapid.Bool().Draw(t, "of the maker") {
			e = &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_MAKER, Value: rapid.SampledFrom(tradeMakers).Draw(t, "stated")}
		}
		l.Evidence = append(l.Evidence, e)
	}
	return l
}

// answersOf writes down all that a decision may ask a catalogue about a need and a
// listing, the numbers and makers that are right for the need tried as well.
func answersOf(c *catalogue.Catalogue, n *fitmentv1.Need, l *fitmentv1.Listing) string {
	said := ""
	makers, numbers := []string{n.GetPartMaker(), l.GetPartMaker()}, []string{n.GetPartNumber(), l.GetPartNumber()}
	for _, e := range l.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_PART_MAKER {
			makers = append(makers, e.GetValue())
		} else {
			numbers = append(numbers, e.GetValue())
		}
	}
	rights := c.Rights(n)
	for _, m := range rights.Matches {
		said += fmt.Sprintln(m.Part.GetMaker(), m.Part.GetNumber(), m.Application, m.Via, m.Path, m.Reason, len(m.Uses))
		makers, numbers = append(makers, m.Part.GetMaker()), append(numbers, m.Part.GetNumber())
	}
	for _, number := range numbers {
		for _, part := range c.PartByNumber(number) {
			said += fmt.Sprintln(number, part.GetMaker(), part.GetNumber(), part.GetKind())
			makers = append(makers, part.GetMaker())
		}
	}
	for _, maker := range makers {
		for _, number := range numbers {
			said += fmt.Sprintln(maker, number, c.OneMaker(number, maker), c.Replaces(maker, number, n.GetPartNumber(), n.GetVehicle()))
			if _, err := catalogue.NumberKey(number); err != nil && numbered(l) {
				continue // nobody asks about a part of an unknown number then
			}
			state := c.RecallState(catalogue.RecallQuery{Maker: maker, Number: number, Kind: n.GetKind(), Vehicle: l.GetDonor(), Today: today, MaxAgeDays: 30})
			said += fmt.Sprintln(state.Free, state.Possible, state.Reason, state.Coverage.GetName())
			for _, r := range state.Notices {
				said += fmt.Sprintln(r.GetName())
			}
		}
	}
	facts := c.Vehicle(l.GetDonor())
	return said + fmt.Sprintln(rights.Cut, facts.Dialect, facts.DialectSource, facts.Wait)
}

// numbered tells whether the listing's statements agree on one number.
func numbered(l *fitmentv1.Listing) bool {
	claims := evidence.ClaimsOf(l)
	fact := claims.Fact(fitmentv1.Evidence_PART_NUMBER)
	return fact.Known()
}

// Whatever may be asked about a need and a listing, the excerpt answers as the
// whole catalogue does, in every word; and an excerpt of the excerpt is the same.
func TestAnExcerptAnswersAsTheWholeDoes(t *testing.T) {
	t.Parallel()
	smaller := 0
	rapid.Check(t, func(rt *rapid.T) {
		trade := drawTrade(rt)
		whole, err := catalogue.FromFacts(trade)
		if err != nil {
			rt.Fatal(err)
		}
		n, l := need(0), drawTradeListing(rt)
		n.Vehicle = drawVehicle(rt)
		n.PartNumber = rapid.SampledFrom(append([]string{"", ""}, tradeNumbers...)).Draw(rt, "replaced")
		n.PartMaker = rapid.SampledFrom(append([]string{"", ""}, tradeMakers...)).Draw(rt, "replaced maker")
		excerpt := whole.Excerpt(n, l)
		raw, err := proto.Marshal(excerpt)
		if err != nil {
			rt.Fatal(err)
		}
		stored := &fitmentv1.Facts{}
		if err := proto.Unmarshal(raw, stored); err != nil {
			rt.Fatal(err)
		}
		part, err := catalogue.FromFacts(stored)
		if err != nil {
			rt.Fatal(err)
		}
		if want, got := answersOf(whole, n, l), answersOf(part, n, l); got != want {
			rt.Fatalf("the excerpt says\n%s\nthe whole\n%s\nexcerpt %v\nwhole %v", got, want, excerpt, trade)
		}
		if again := part.Excerpt(n, l); !proto.Equal(again, excerpt) {
			rt.Fatalf("the excerpt of the excerpt is %v, not %v", again, excerpt)
		}
		if proto.Size(excerpt) < proto.Size(trade)/2 {
			smaller++
		}
	})
	if smaller == 0 {
		t.Error("no excerpt is smaller than half of the whole")
	}
}

// An excerpt holds nothing of others' models, makers and makes.
func TestAnExcerptIsSmall(t *testing.T) {
	t.Parallel()
	c, _ := large(t, 2000)
	for i := range 100 {
		for _, err := range []error{
			c.PutRecall(&fitmentv1.Recall{Name: "recalls/" + strconv.Itoa(i), Type: fitmentv1.Recall_NOTICE, Number: "N", PartMaker: maker, PartNumber: number(i, 3)}),
			c.PutVehicleData(&fitmentv1.VehicleData{Name: "vehicleData/" + strconv.Itoa(i), Make: "Make " + strconv.Itoa(i), Dialect: "standard"}),
		} {
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	n := need(2005)
	n.Vehicle.Model = model(7)
	facts := c.Excerpt(n, &fitmentv1.Listing{PartMaker: maker, PartNumber: number(7, 0), Donor: &fitmentv1.Vehicle{Make: "Make 3"}})
	if len(facts.GetParts()) == 0 || len(facts.GetParts()) > family || len(facts.GetSupersessions()) > 2*family || len(facts.GetRecalls()) > 1 || len(facts.GetVehicleData()) != 1 {
		t.Errorf("%d parts, %d supersessions, %d recalls, %d rows", len(facts.GetParts()), len(facts.GetSupersessions()), len(facts.GetRecalls()), len(facts.GetVehicleData()))
	}
}

// A walk that a bound cuts short is cut at the same place in the excerpt.
func TestAnExcerptKeepsTheBound(t *testing.T) {
	t.Parallel()
	c := filled(t, buckle("A0", kestrel(2004, 2006)))
	for i := range 1200 {
		put(t, c, step("A"+strconv.Itoa(i), "A"+strconv.Itoa(i+1)))
	}
	n, l := need(2005), &fitmentv1.Listing{PartNumber: "A1100", PartMaker: maker}
	part, err := catalogue.FromFacts(c.Excerpt(n, l))
	if err != nil {
		t.Fatal(err)
	}
	whole, again := c.Rights(n), part.Rights(n)
	if whole.Cut == "" || again.Cut != whole.Cut || len(again.Matches) != len(whole.Matches) {
		t.Errorf("cut %q, %d matches; in the excerpt %q, %d", whole.Cut, len(whole.Matches), again.Cut, len(again.Matches))
	}
}

func TestFactsThatAreNoneAreRefused(t *testing.T) {
	t.Parallel()
	for field, facts := range map[string]*fitmentv1.Facts{
		"parts[1]":         {Parts: []*fitmentv1.Part{buckle("A"), buckle("?")}},
		"supersessions[0]": {Supersessions: []*fitmentv1.Supersession{step("A", "?")}},
		"recalls[0]":       {Recalls: []*fitmentv1.Recall{{PartNumber: "?"}}},
		"vehicle_data[0]":  {VehicleData: []*fitmentv1.VehicleData{{}}},
	} {
		if _, err := catalogue.FromFacts(facts); err == nil || err.Error()[:len(field)] != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	if c, err := catalogue.FromFacts(nil); err != nil || len(c.Right(need(2005))) != 0 {
		t.Errorf("no facts: %v", err)
	}
}
