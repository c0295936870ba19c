package evidence_test

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

func stated(a fitmentv1.Evidence_Attribute, value string, level fitmentv1.Evidence_Level) *fitmentv1.Evidence {
	return &fitmentv1.Evidence{Attribute: a, Value: value, Level: level}
}

const (
	claimed   = fitmentv1.Evidence_CLAIMED
	shown     = fitmentv1.Evidence_SHOWN
	confirmed = fitmentv1.Evidence_CONFIRMED
)

func TestStatementsComeToOneFact(t *testing.T) {
	t.Parallel()
	number, flood, year := fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_FLOOD, fitmentv1.Evidence_DONOR_MODEL_YEAR
	cases := map[string]struct {
		listing *fitmentv1.Listing
		about   fitmentv1.Evidence_Attribute
		known   bool
		proven  bool
	}{
		"nothing":                    {&fitmentv1.Listing{}, number, false, false},
		"plain field":                {&fitmentv1.Listing{PartNumber: "AB-12"}, number, true, false},
		"plain field raised":         {&fitmentv1.Listing{PartNumber: "AB-12", Evidence: []*fitmentv1.Evidence{stated(number, "ab 12", shown)}}, number, true, true},
		"plain field contradicted":   {&fitmentv1.Listing{PartNumber: "AB-12", Evidence: []*fitmentv1.Evidence{stated(number, "AB13", confirmed)}}, number, false, false},
		"level not stated":           {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(flood, "no", 0)}}, flood, true, false},
		"shown beside claimed":       {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(flood, "no", shown), stated(flood, "No", claimed)}}, flood, true, true},
		"claim against confirmation": {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(flood, "no", confirmed), stated(flood, "yes", claimed)}}, flood, false, false},
		"neither yes nor no":         {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(flood, "perhaps", confirmed)}}, flood, false, false},
		"unreadable beside shown":    {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(flood, "no", shown), stated(flood, "", claimed)}}, flood, false, false},
		"year in words":              {&fitmentv1.Listing{Donor: &fitmentv1.Vehicle{ModelYear: 2006}, Evidence: []*fitmentv1.Evidence{stated(year, " 2006 ", shown)}}, year, true, true},
		"year below zero":            {&fitmentv1.Listing{Donor: &fitmentv1.Vehicle{ModelYear: -1}}, year, false, false},
		"row without side":           {&fitmentv1.Listing{Position: &fitmentv1.Position{Row: 1}}, fitmentv1.Evidence_PART_POSITION, false, false},
		"unknown attribute":          {&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{stated(99, "x", shown)}}, 99, false, false},
	}
	for name, c := range cases {
		claims := evidence.ClaimsOf(c.listing)
		fact := claims.Fact(c.about)
		if fact.Known() != c.known || fact.Proven() != c.proven {
			t.Errorf("%s: known %v proven %v, want %v %v (%+v)", name, fact.Known(), fact.Proven(), c.known, c.proven, fact)
		}
	}
}

func TestReadersOfFacts(t *testing.T) {
	t.Parallel()
	claims := evidence.ClaimsOf(&fitmentv1.Listing{
		Yard: "north-yard", PartNumber: "AB-12", Donor: &fitmentv1.Vehicle{ModelYear: 2006},
		Evidence: []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: shown, Date: "2026-01-02"},
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: shown, Date: "2026-03-02"},
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: claimed, Date: "2026-05-02"},
		},
	})
	if answer, proven := claims.Bool(fitmentv1.Evidence_FLOOD); answer != no || !proven {
		t.Errorf("flood %v %v", answer, proven)
	}
	if date := claims.Fact(fitmentv1.Evidence_FLOOD).Date; date != "2026-03-02" {
		t.Errorf("the day is the latest at the highest level, got %s", date)
	}
	if answer, _ := claims.Bool(fitmentv1.Evidence_FIRE); answer != unknown {
		t.Errorf("fire %v", answer)
	}
	if year, known, proven := claims.Number(fitmentv1.Evidence_DONOR_MODEL_YEAR); year != 2006 || !known || proven {
		t.Errorf("year %v %v %v", year, known, proven)
	}
	if text, known, proven := claims.Text(fitmentv1.Evidence_PART_NUMBER); text != "AB-12" || !known || proven {
		t.Errorf("number %q %v %v", text, known, proven)
	}
	list := claims.Statements(fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_FLOOD)
	if len(list) != 4 || list[0].GetBy() != "north-yard" || list[0].GetLevel() != claimed {
		t.Errorf("statements %v", list)
	}
	wet := claims.With(fitmentv1.Evidence_FLOOD, "yes", "")
	if answer, proven := wet.Bool(fitmentv1.Evidence_FLOOD); answer != yes || !proven {
		t.Error("an assumed fact replaces what was stated")
	}
	if answer, _ := claims.Bool(fitmentv1.Evidence_FLOOD); answer != no {
		t.Error("the original must not change")
	}
}

func TestSeveralLoopReadingsAreNoConflict(t *testing.T) {
	t.Parallel()
	claims := evidence.ClaimsOf(&fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{
		stated(fitmentv1.Evidence_LOOP_RESISTANCE, "2.0", shown), stated(fitmentv1.Evidence_LOOP_RESISTANCE, "2.1", shown),
	}})
	if !claims.Fact(fitmentv1.Evidence_LOOP_RESISTANCE).Proven() {
		t.Error("a two-stage part has two readings")
	}
}
