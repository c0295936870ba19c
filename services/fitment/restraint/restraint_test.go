package restraint_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/restraint"
)

const (
	yes = fitmentv1.Finding_YES
	no  = fitmentv1.Finding_NO
	na  = fitmentv1.Finding_UNKNOWN
)

// The texts are worded as in element 121 of vPIC, some verbatim.
func TestOnlyOutrightStatementsCount(t *testing.T) {
	t.Parallel()
	// air bags, side air bags, curtain air bags, knee air bags, pretensioners
	for text, want := range map[string]restraint.Statement{
		"":                           {na, na, na, na, na},
		"Seat Belt: All Positions":   {na, na, na, na, na},
		"NONE":                       {no, no, no, no, no},
		"No restraint system.":       {no, no, no, no, no},
		"Restraint system: None":     {no, no, no, no, no},
		"No Airbags":                 {no, no, no, no, na},
		"Active Belts / No Air Bags": {no, no, no, no, na},
		"3-pt no SIR":                {no, no, no, no, na},
		"Front 3 Point Belts. No Supplemental Inflatable Restraint": {no, no, no, no, na},
		"Air Bags: No":        {no, no, no, no, na},
		"side air bags: none": {na, no, na, na, na},
		"Active Belts (ASP), Front Air Bags (OSP), Without Side Inflatable Restraints":                               {yes, no, na, na, na},
		"Type 2 seat belts with load limiters and pretensioners":                                                     {na, na, na, na, yes},
		"Front seat-mounted side air bag / 1st and 2nd row roof-mounted curtain airbag":                              {yes, yes, yes, na, na},
		"Knee Inflatable Restraint for Driver and Front Passenger.\r\nPretensioners for Driver and Front Passenger.": {yes, na, na, yes, yes},
		// limited, optional or about something else
		"Air Bag (option)": {na, na, na, na, na},
		"Side Inflatable Restraint (1st & 2nd Row & 3rd Row if fitted)": {na, na, na, na, na},
		"rear central seat safety belts have no pretensioners":          {na, na, na, na, na},
		"Seat belt w/o Pretensioners (Center position)":                 {na, na, na, na, na},
		"ACTIVE BELTS  FRONT/NO RESTRAINT(REAR)":                        {na, na, na, na, na},
		"dual stage air bags, without passenger airbag ON-OFF switch":   {yes, na, na, na, na},
		"Airbags at other locations are optional packages":              {na, na, na, na, na},
		"No Designation":                  {na, na, na, na, na},
		"without advanced air bag system": {na, na, na, na, na},
		"Has Occupant Sensor":             {na, na, na, na, na},
		"front seats: dual stage frontal air bags, side head air bags": {yes, na, na, na, na},
		// both
		"Side air bags; no air bags": {na, na, na, na, na},
		"Air bags. No air bags.":     {na, na, na, na, na},
	} {
		if got := restraint.Parse(text); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

func TestContradictions(t *testing.T) {
	t.Parallel()
	cases := []struct {
		a, b string
		want []restraint.Subject
	}{
		{"Side air bags", "Without side air bags", []restraint.Subject{restraint.SideAirBags}},
		{"Knee air bag", "No Airbags", []restraint.Subject{restraint.AirBags, restraint.KneeAirBags}},
		{"Side air bags", "", nil},
		{"Side air bags", "Front air bags", nil},
		{"Side air bags", "Side air bags optional", nil},
		{"Without air bags", "No Airbags", nil},
		{"Pretensioners", "rear seats safety belts have no pretensioners", nil},
	}
	for _, c := range cases {
		if got := restraint.Contradictions(c.a, c.b); !slices.Equal(got, c.want) {
			t.Errorf("%q and %q: %v, want %v", c.a, c.b, got, c.want)
		}
	}
}

func TestEveryKindOfBagAndPretensionerHasASubject(t *testing.T) {
	t.Parallel()
	for kind, want := range map[fitmentv1.Part_Kind]restraint.Subject{
		fitmentv1.Part_DRIVER_AIR_BAG: restraint.AirBags, fitmentv1.Part_SIDE_AIR_BAG: restraint.SideAirBags,
		fitmentv1.Part_CURTAIN_AIR_BAG: restraint.CurtainAirBags, fitmentv1.Part_KNEE_AIR_BAG: restraint.KneeAirBags,
		fitmentv1.Part_LAP_PRETENSIONER: restraint.Pretensioners,
	} {
		if got, ok := restraint.About(kind); !ok || got != want {
			t.Errorf("%v: %v %t, want %v", kind, got, ok, want)
		}
	}
	if s, ok := restraint.About(fitmentv1.Part_CLOCK_SPRING); ok {
		t.Errorf("a clock spring is about %v", s)
	}
}

// A text never contradicts itself, silence contradicts nothing, and the order of
// two texts does not matter.
func TestContradictionIsSymmetricAndNeedsTwoStatements(t *testing.T) {
	t.Parallel()
	words := rapid.SliceOf(rapid.SampledFrom([]string{"no", "without", "side", "air bags", "airbag", "knee", "curtain", "pretensioner", ".", ";", ",", "rear", "optional", ":", "none"}))
	rapid.Check(t, func(t *rapid.T) {
		join := func(list []string) string {
			text := ""
			for _, w := range list {
				text += w + " "
			}
			return text
		}
		a, b := join(words.Draw(t, "a")), join(words.Draw(t, "b"))
		if got := restraint.Contradictions(a, b); !slices.Equal(got, restraint.Contradictions(b, a)) {
			t.Fatalf("%q and %q: the order matters", a, b)
		}
		if got := restraint.Contradictions(a, a); got != nil {
			t.Fatalf("%q contradicts itself: %v", a, got)
		}
		if got := restraint.Contradictions(a, ""); got != nil {
			t.Fatalf("silence contradicts %q: %v", a, got)
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Fuzz(func(t *testing.T, text string) {
		for s, answer := range restraint.Parse(text) {
			if answer != yes && answer != no && answer != na {
				t.Errorf("%q: %v is %v", text, restraint.Subject(s), answer)
			}
		}
		if got := restraint.Contradictions(text, text); got != nil {
			t.Errorf("%q contradicts itself: %v", text, got)
		}
	})
}
