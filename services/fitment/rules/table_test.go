package rules_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/rules"
)

// Short names of the attributes.
const (
	aNumber       = fitmentv1.Evidence_PART_NUMBER
	aKind         = fitmentv1.Evidence_PART_KIND
	aPosition     = fitmentv1.Evidence_PART_POSITION
	aDriveSide    = fitmentv1.Evidence_DONOR_DRIVE_SIDE
	aYear         = fitmentv1.Evidence_DONOR_MODEL_YEAR
	aVIN          = fitmentv1.Evidence_DONOR_VIN
	aInterface    = fitmentv1.Evidence_CONNECTOR_INTERFACE
	aKeying       = fitmentv1.Evidence_CONNECTOR_KEYING
	aCavities     = fitmentv1.Evidence_CONNECTOR_CAVITIES
	aClip         = fitmentv1.Evidence_SHORTING_CLIP_PRESENT
	aPigtail      = fitmentv1.Evidence_PIGTAIL_CUT
	aStages       = fitmentv1.Evidence_STAGES
	aLoop         = fitmentv1.Evidence_LOOP_RESISTANCE
	aMarks        = fitmentv1.Evidence_DEPLOYMENT_MARKS
	aCrash        = fitmentv1.Evidence_CRASH_RECORD
	aCode         = fitmentv1.Evidence_DEPLOYMENT_CODE
	aBelt         = fitmentv1.Evidence_BELT_IN_USE_COLLISION
	aFlood        = fitmentv1.Evidence_FLOOD
	aFire         = fitmentv1.Evidence_FIRE
	aOpen         = fitmentv1.Evidence_RECALL_OPEN
	aLegible      = fitmentv1.Evidence_LABEL_LEGIBLE
	aPulledBy     = fitmentv1.Evidence_PULLED_BY
	aRemedied     = fitmentv1.Evidence_RECALL_REMEDIED
	aMaker        = fitmentv1.Evidence_PART_MAKER
	aCodes        = fitmentv1.Evidence_DONOR_CODES
	aDamage       = fitmentv1.Evidence_DAMAGE
	aCosmetic     = fitmentv1.Evidence_COSMETIC_DAMAGE
	aProgrammable = fitmentv1.Evidence_PROGRAMMABLE
	aTheft        = fitmentv1.Evidence_THEFT_QUERY_CLEAR
	aStatement    = fitmentv1.Evidence_SELLER_STATEMENT
	aMade         = fitmentv1.Evidence_MANUFACTURED
)

// one is a row of the table: a change of a documented listing, or of the need,
// and what one rule must answer.
type one struct {
	rule  string
	name  string
	need  *fitmentv1.Need
	list  *fitmentv1.Listing
	cat   func(testing.TB, *catalogue.Catalogue)
	packs func(testing.TB) *jurisdiction.Set
	want  evidence.Answer
}

func listing(changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing { return documented(changes...) }

// unlabelled is a documented listing whose number nobody stated.
func unlabelled(changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
	return documented(append([]func(*fitmentv1.Listing){forget(aNumber)}, changes...)...)
}

func numbered(number string, level fitmentv1.Evidence_Level, changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
	return documented(append([]func(*fitmentv1.Listing){instead(aNumber, number, level)}, changes...)...)
}

// Sources beside the rules are in the registry; where a row checks a figure, its
// source stands with it. Everything else is the meaning of the levels of
// evidence: claimed never proves, contradiction is unknown.
func TestEachRuleAnswersAsItsTableSays(t *testing.T) {
	t.Parallel()
	for _, c := range everyRow() {
		need := c.need
		if need == nil {
			need = kestrel()
		}
		cat := worldOf(t)
		if c.cat != nil {
			c.cat(t, cat)
		}
		policy := rules.DefaultPolicy()
		if c.packs != nil {
			policy.Packs = c.packs(t)
		}
		d := rules.Decide(need, c.list, cat, policy, today)
		if f := finding(t, d, c.rule); f.GetAnswer() != c.want {
			t.Errorf("%s, %s: %v (%s), want %v", c.rule, c.name, f.GetAnswer(), f.GetReason(), c.want)
		}
	}
}

func everyRow() []one {
	return slices.Concat(identityTable(), numberTable(), yearTable(), connectorTable(), electricalTable(), useTable(), recallTable(), provenanceTable(),
		makerTable(), restraintTable(), codeTable(), conditionTable(), madeTable(), lawTable())
}

func identityTable() []one {
	kind, position, side := "identity.kind", "identity.position", "identity.drive_side"
	const retractor = "RETRACTOR_PRETENSIONER"
	rhd := kestrel(func(n *fitmentv1.Need) { n.Vehicle.DriveSide = fitmentv1.Vehicle_RIGHT })
	sideless := kestrel(func(n *fitmentv1.Need) { n.Vehicle.DriveSide = 0 })
	return []one{
		{rule: kind, name: "implied by the label", list: listing(forget(aKind)), want: yes},
		{rule: kind, name: "shown", list: unlabelled(say(aKind, "buckle_pretensioner", shown)), want: yes},
		{rule: kind, name: "claimed", list: unlabelled(), want: unknown},
		{rule: kind, name: "another, claimed", list: unlabelled(instead(aKind, retractor, claimed)), want: no},
		{rule: kind, name: "label says another", list: numbered("M1", shown, forget(aKind)), want: no},
		{rule: kind, name: "statement contradicts the label", list: listing(instead(aKind, retractor, shown)), want: unknown},
		{rule: kind, name: "no kind at all", list: unlabelled(instead(aKind, "gearbox", shown)), want: unknown},

		{rule: position, name: "label is for the seat", list: listing(), want: yes},
		{rule: position, name: "shown", list: unlabelled(say(aPosition, "1 right", shown)), want: yes},
		{rule: position, name: "claimed", list: unlabelled(), want: unknown},
		{rule: position, name: "another, claimed", list: unlabelled(instead(aPosition, "1 LEFT", claimed)), want: no},
		{rule: position, name: "label is for another", need: kestrel(func(n *fitmentv1.Need) { n.Position = left1 }), list: listing(forget(aPosition)), want: no},
		{rule: position, name: "pulled where the part does not go", list: listing(instead(aPosition, "1 LEFT", shown)), want: unknown},
		{rule: position, name: "need names none", need: kestrel(func(n *fitmentv1.Need) { n.Position = nil }), list: listing(), want: unknown},
		{rule: position, name: "follows from the drive side", need: driverBag(), list: numbered("D1", shown, forget(aPosition)), want: yes},
		// Facing forward, a left-hand drive vehicle's passenger sits on the right.
		{rule: position, name: "the passenger's bag, left-hand drive", need: passengerBag(fitmentv1.Vehicle_LEFT), list: unlabelled(instead(aPosition, "1 RIGHT", shown)), want: yes},
		{rule: position, name: "the passenger's bag, right-hand drive", need: passengerBag(fitmentv1.Vehicle_RIGHT), list: unlabelled(instead(aPosition, "1 RIGHT", shown)), want: no},
		{rule: position, name: "one module a vehicle", need: module(), list: &fitmentv1.Listing{}, want: yes},
		{rule: position, name: "right part serves both seats", list: unlabelled(instead(aPosition, "1 LEFT", claimed)), cat: func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			both := proto.CloneOf(c.Part("Orbis", "K1"))
			both.Positions = []*fitmentv1.Position{left1, right1}
			if err := c.PutPart(both); err != nil {
				tb.Fatal(err)
			}
		}, want: unknown},

		{rule: side, name: "part serves both", list: listing(), want: yes},
		{rule: side, name: "part is for the side", need: driverBag(), list: numbered("D1", shown), want: yes},
		{rule: side, name: "donor contradicts", need: driverBag(), list: numbered("D1", shown, instead(aDriveSide, "RIGHT", shown)), want: unknown},
		{rule: side, name: "vehicle's not known", need: func() *fitmentv1.Need { n := driverBag(); n.Vehicle.DriveSide = 0; return n }(), list: numbered("D1", shown), want: unknown},
		{rule: side, name: "shown", list: unlabelled(say(aDriveSide, "LEFT", shown)), want: yes},
		{rule: side, name: "claimed", list: unlabelled(), want: unknown},
		{rule: side, name: "another, claimed", need: rhd, list: unlabelled(), want: no},
		{rule: side, name: "no label, vehicle's not known", need: sideless, list: unlabelled(), want: unknown},
	}
}

func numberTable() []one {
	matches, application := "number.matches", "number.application"
	replacing := func(number string) *fitmentv1.Need {
		return kestrel(func(n *fitmentv1.Need) { n.PartNumber, n.PartMaker = number, "ORBIS" })
	}
	elsewhere := func(n *fitmentv1.Need) { n.Vehicle.Model = "Osprey" }
	return []one{
		{rule: matches, name: "exact, shown", list: listing(), want: yes},
		{rule: matches, name: "written another way", list: numbered("k/1", confirmed), want: yes},
		{rule: matches, name: "exact, claimed", list: numbered("K1", claimed), want: unknown},
		{rule: matches, name: "only the vehicle", list: unlabelled(), want: unknown},
		{rule: matches, name: "contradicting", list: listing(say(aNumber, "K2", claimed)), want: unknown},
		{rule: matches, name: "no number", list: listing(instead(aNumber, "?", confirmed)), want: unknown},
		{rule: matches, name: "replaces in one step", list: numbered("K2", shown), want: yes},
		{rule: matches, name: "replaces in two steps", list: numbered("K3", shown), want: yes},
		{rule: matches, name: "replaces in two steps, claimed", list: numbered("K3", claimed), want: unknown},
		{rule: matches, name: "other vehicle's, claimed", list: numbered("X1", claimed), want: no},
		{rule: matches, name: "unheard of", list: numbered("QQ9", claimed), want: no},
		{rule: matches, name: "another maker's", list: listing(func(l *fitmentv1.Listing) { l.PartMaker = "Other" }), want: no},
		{rule: matches, name: "the wrong way round", need: replacing("K2"), list: numbered("K1", shown), want: yes}, // K1 is listed, and so is K2 by one step
		{rule: matches, name: "nothing listed for the vehicle", need: kestrel(elsewhere), list: listing(), want: no},
		{rule: matches, name: "nothing listed, number unheard of", need: kestrel(elsewhere), list: numbered("QQ9", shown), want: unknown},
		{rule: matches, name: "bears the replaced part's number", need: replacing("QQ9"), list: numbered("QQ9", shown), want: yes},
		{rule: matches, name: "bears it, claimed", need: replacing("QQ9"), list: numbered("QQ9", claimed), want: unknown},
		{rule: matches, name: "bears it, but it is listed for others", need: replacing("X1"), list: numbered("X1", shown), want: unknown},
		{rule: matches, name: "vehicle bears what is not listed", need: replacing("QQ9"), list: listing(), want: unknown},
		{rule: matches, name: "replaces the replaced part", need: kestrel(elsewhere, func(n *fitmentv1.Need) { n.PartNumber, n.PartMaker = "K2", "Orbis" }), list: numbered("K3", shown), want: yes},

		{rule: matches, name: "two makers' number, none stated", list: listing(makerless), cat: rival, want: unknown},
		{rule: matches, name: "two makers' number, claimed", list: listing(), cat: rival, want: unknown},
		{rule: matches, name: "two makers' number, shown", list: listing(say(aMaker, "ORBIS ", shown)), cat: rival, want: yes},
		{rule: matches, name: "makers contradict", list: listing(say(aMaker, "Norrin", claimed)), want: unknown},
		{rule: application, name: "two makers' number, claimed", list: listing(), cat: rival, want: unknown},
		{rule: application, name: "two makers' number, shown", list: listing(say(aMaker, "Orbis", confirmed)), cat: rival, want: yes},
		{rule: application, name: "makers contradict", list: listing(say(aMaker, "Norrin", shown)), want: unknown},
		{rule: matches, name: "another maker's by a notice", list: listing(makerless), cat: rivalNotice, want: unknown},
		{rule: matches, name: "the other maker's stated", list: listing(func(l *fitmentv1.Listing) { l.PartMaker = "Norrin" }), cat: rival, want: no},
		{rule: matches, name: "bears the replaced number, two makers", need: replacing("K1"), list: listing(makerless), cat: rival, want: unknown},
		{rule: matches, name: "the vehicle bears another maker's", need: kestrel(func(n *fitmentv1.Need) { n.PartNumber, n.PartMaker = "K1", "Norrin" }), list: listing(), want: unknown},
		{rule: application, name: "two makers' number, none stated", list: listing(makerless), cat: rival, want: unknown},

		{rule: application, name: "listed", list: listing(), want: yes},
		{rule: application, name: "by application only", list: unlabelled(), want: unknown},
		{rule: application, name: "claimed number of another vehicle", list: numbered("X1", claimed), want: no},
		{rule: application, name: "year not known", need: kestrel(func(n *fitmentv1.Need) { n.Vehicle.ModelYear = 0 }), list: listing(), want: unknown},
		{rule: application, name: "bears the replaced part's number", need: replacing("QQ9"), list: numbered("QQ9", shown), want: yes},
		{rule: application, name: "nothing listed", need: kestrel(elsewhere), list: unlabelled(), want: unknown},
	}
}

func makerless(l *fitmentv1.Listing) { l.PartMaker = "" }

func rival(tb testing.TB, c *catalogue.Catalogue) {
	tb.Helper()
	norrin(tb, c, "K1")
}

func rivalNotice(tb testing.TB, c *catalogue.Catalogue) {
	tb.Helper()
	recall(tb, c, &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "26-2", PartMaker: "Norrin", PartNumber: "K1"})
}

// bearing is a need for the part in place of one of the number.
func bearing(n *fitmentv1.Need, number string) *fitmentv1.Need {
	n.PartNumber = number
	return n
}

func yearTable() []one {
	year, build, age := "years.model_year", "years.build_date", "age.service_life"
	old := kestrel(func(n *fitmentv1.Need) { n.Vehicle.ModelYear = 2009 })
	life := func(years int32) func(testing.TB, *catalogue.Catalogue) {
		return func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			part := proto.CloneOf(c.Part("Orbis", "K1"))
			part.ServiceLifeYears = years
			if err := c.PutPart(part); err != nil {
				tb.Fatal(err)
			}
		}
	}
	return []one{
		{rule: year, name: "label, donor within", list: listing(), want: yes},
		{rule: year, name: "label, donor's not known", list: listing(forget(aYear)), want: yes},
		{rule: year, name: "label, donor outside", list: listing(instead(aYear, "2009", claimed)), want: unknown},
		{rule: year, name: "vehicle's not known", need: kestrel(func(n *fitmentv1.Need) { n.Vehicle.ModelYear = 0 }), list: listing(), want: unknown},
		{rule: year, name: "no label, shown", list: unlabelled(say(aYear, "2006", shown), func(l *fitmentv1.Listing) { l.Donor.ModelYear = 2006 }), want: yes},
		{rule: year, name: "no label, claimed", list: unlabelled(), want: unknown},
		{rule: year, name: "no label, outside, claimed", list: unlabelled(instead(aYear, "2007", claimed)), want: no},
		{rule: year, name: "nothing for that year", need: old, list: unlabelled(), want: unknown},

		{rule: build, name: "no change within the year", list: listing(), want: yes},
		{rule: build, name: "before the change", need: swift("2005-02-28"), list: numbered("S1", shown), want: yes},
		{rule: build, name: "the part from after it", need: swift("2005-02-28"), list: numbered("S2", claimed), want: no},
		{rule: build, name: "build not known", need: swift(""), list: numbered("S1", shown), want: unknown},
		{rule: build, name: "the number replaced, build not known", need: bearing(swift(""), "S2"), list: numbered("S2", shown), want: yes},
		{rule: build, name: "the number replaced, on the other side of the change", need: bearing(swift("2005-02-28"), "S2"), list: numbered("S2", shown), want: unknown},
		{rule: build, name: "no label", need: swift("2005-02-28"), list: unlabelled(), want: unknown},
		{rule: build, name: "no label, donor from after it", need: swift("2005-02-28"), list: unlabelled(func(l *fitmentv1.Listing) { l.Donor.BuildDate = "2005-06-01" }), want: no},

		// MY 2005 parts were made from January 2004 to December 2005 (49 CFR 565.3: production of a model
		// year spans less than two years), so on 30 June 2026 they are 20 to 22 years old.
		{rule: age, name: "no life set", list: listing(), want: yes},
		{rule: age, name: "within life", list: listing(), cat: life(23), want: yes},
		{rule: age, name: "at its end", list: listing(), cat: life(22), want: unknown},
		{rule: age, name: "over it", list: listing(), cat: life(20), want: no},
		{rule: age, name: "year only claimed", list: listing(forget(aVIN)), cat: life(23), want: unknown},
		{rule: age, name: "year not known", list: listing(forget(aVIN, aYear)), cat: life(23), want: unknown},
		{rule: age, name: "year from the VIN", list: listing(forget(aYear)), cat: life(23), want: yes},
		{rule: age, name: "over it by a claim", list: listing(forget(aVIN)), cat: life(20), want: no},
		{rule: age, name: "label decides", need: swift(""), list: unlabelled(), want: unknown},
	}
}

func connectorTable() []one {
	face, keying, cavities, clip, pigtail := "connector.interface", "connector.keying", "connector.cavities", "connector.shorting_clip", "connector.pigtail"
	seen := func(interfaces, keys string, count int32) *fitmentv1.Need {
		return kestrel(func(n *fitmentv1.Need) {
			n.Connector = &fitmentv1.Connector{Interface: interfaces, Keying: keys, Cavities: count}
		})
	}
	sensor := kestrel(func(n *fitmentv1.Need) { n.Kind = fitmentv1.Part_CRASH_SENSOR })
	lead := kestrel(func(n *fitmentv1.Need) { n.Kind = fitmentv1.Part_PIGTAIL })
	same := kestrel(func(n *fitmentv1.Need) { n.PartNumber = "QQ9" })
	return []one{
		{rule: face, name: "by the label", list: listing(), want: yes},
		{rule: face, name: "the vehicle has another", need: seen("Type 3", "", 0), list: listing(), want: no},
		{rule: face, name: "shown against the vehicle", need: seen("type  2", "", 0), list: unlabelled(say(aInterface, "TYPE 2", shown)), want: yes},
		{rule: face, name: "shown against the catalogue", list: unlabelled(say(aInterface, "type 2", shown)), want: yes},
		{rule: face, name: "claimed", list: unlabelled(say(aInterface, "Type 2", claimed)), want: unknown},
		{rule: face, name: "another, claimed", list: unlabelled(say(aInterface, "Type 3", claimed)), want: no},
		{rule: face, name: "seen to be another than the label says", list: listing(say(aInterface, "Type 3", confirmed)), want: unknown},
		{rule: face, name: "contradicting", list: unlabelled(say(aInterface, "Type 2", shown), say(aInterface, "Type 3", claimed)), want: unknown},
		{rule: face, name: "same number, catalogue silent", need: same, list: numbered("QQ9", shown), want: yes},
		{rule: face, name: "same number, seen to differ", need: same, list: numbered("QQ9", shown, say(aInterface, "Type 3", shown)), want: unknown},
		{rule: face, name: "catalogue silent", need: kestrel(func(n *fitmentv1.Need) { n.Vehicle.Model = "Osprey" }), list: unlabelled(say(aInterface, "Type 2", shown)), want: unknown},

		{rule: keying, name: "by the label", list: listing(), want: yes},
		{rule: keying, name: "the vehicle has another", need: seen("", "A", 0), list: listing(), want: no},
		{rule: keying, name: "right parts differ", need: swift(""), list: unlabelled(say(aKeying, "B", shown)), want: unknown},
		{rule: cavities, name: "by the label", list: listing(), want: yes},
		{rule: cavities, name: "the vehicle has another", need: seen("", "", 4), list: listing(), want: no},
		{rule: cavities, name: "shown", list: unlabelled(say(aCavities, "2", shown)), want: yes},
		{rule: cavities, name: "no number", list: unlabelled(say(aCavities, "two", shown)), want: unknown},

		{rule: clip, name: "shown", list: listing(), want: yes},
		{rule: clip, name: "claimed", list: listing(instead(aClip, "yes", claimed)), want: unknown},
		{rule: clip, name: "missing, claimed", list: listing(instead(aClip, "no", claimed)), want: no},
		{rule: clip, name: "not stated", list: listing(forget(aClip)), want: unknown},
		{rule: clip, name: "no squib", need: sensor, list: &fitmentv1.Listing{}, want: yes},
		{rule: pigtail, name: "shown whole", list: listing(), want: yes},
		{rule: pigtail, name: "cut, claimed", list: listing(instead(aPigtail, "yes", claimed)), want: no},
		{rule: pigtail, name: "not stated", list: listing(forget(aPigtail)), want: unknown},
		{rule: pigtail, name: "is a pigtail", need: lead, list: &fitmentv1.Listing{}, want: yes},
	}
}

// staged adds a shown reading that states its stage.
func staged(stage int32, ohms float64) func(*fitmentv1.Listing) {
	return func(l *fitmentv1.Listing) {
		reads(ohms, shown)(l)
		l.GetEvidence()[len(l.GetEvidence())-1].GetReading().Stage = stage
	}
}

// curtain adds a shown reading of the left curtain air bag.
func curtain(l *fitmentv1.Listing) {
	reads(2.0, shown)(l)
	r := l.GetEvidence()[len(l.GetEvidence())-1].GetReading()
	r.Kind, r.Position = fitmentv1.Part_CURTAIN_AIR_BAG, left1
}

// bag is a documented listing of D1 without its readings.
func bag(changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
	changes = append([]func(*fitmentv1.Listing){
		func(l *fitmentv1.Listing) { l.Kind, l.Position = fitmentv1.Part_DRIVER_AIR_BAG, left1 }, forget(aLoop),
	}, changes...)
	return numbered("D1", shown, changes...)
}

// unplaced is a listing that does not say from where the part was pulled, with a
// good reading that names no place and one of a place.
func unplaced(ohms float64, at *fitmentv1.Position) *fitmentv1.Listing {
	l := listing(forget(aPosition, aLoop), reads(2.1, shown))
	l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: aLoop, Level: shown, Reading: &fitmentv1.Reading{
		Position: at, Method: fitmentv1.Reading_METER_AT_COMPONENT, ShortingClip: fitmentv1.Reading_OUT, Ohms: new(ohms),
		Meter: &fitmentv1.Meter{PercentOfReading: 0.5, Counts: 2, ResolutionOhms: 0.01},
	}})
	return l
}

func electricalTable() []one {
	stages, window, loop := "electrical.stages", "electrical.resistance", "deployment.loop"
	two := kestrel(func(n *fitmentv1.Need) { n.Stages = 2 })
	read := func(level fitmentv1.Evidence_Level, values ...float64) *fitmentv1.Listing {
		l := listing(forget(aLoop))
		for _, ohms := range values {
			reads(ohms, level)(l)
		}
		return l
	}
	by := func(change func(*fitmentv1.Reading)) *fitmentv1.Listing {
		l := read(shown, 2.1)
		change(l.GetEvidence()[len(l.GetEvidence())-1].GetReading())
		return l
	}
	bare := listing(forget(aLoop), say(aLoop, "2.0", shown))
	return []one{
		{rule: stages, name: "by the label", list: listing(), want: yes},
		{rule: stages, name: "module drives two", need: two, list: listing(), want: no},
		{rule: stages, name: "shown", list: unlabelled(say(aStages, "1", shown)), want: yes},
		{rule: stages, name: "not known", list: unlabelled(), want: unknown},

		// About 2 ohms is a sound squib; common practice, no source. The part's own window is 1.5–2.8.
		{rule: window, name: "2.0", list: read(shown, 2.0), want: yes},
		{rule: window, name: "2.0, claimed", list: read(claimed, 2.0), want: unknown},
		{rule: window, name: "4.5, claimed", list: read(claimed, 4.5), want: no},
		{rule: window, name: "no reading", list: read(shown), want: unknown},
		{rule: window, name: "a number without a reading", list: bare, want: unknown},
		{rule: window, name: "of another part", list: by(func(r *fitmentv1.Reading) { r.Kind = fitmentv1.Part_KNEE_AIR_BAG }), want: unknown},
		{rule: window, name: "of another seat", list: by(func(r *fitmentv1.Reading) { r.Position = left1 }), want: unknown},
		{rule: window, name: "substitute load in the part's place", list: by(func(r *fitmentv1.Reading) { r.Method = fitmentv1.Reading_SUBSTITUTE_LOAD }), want: unknown},
		{rule: window, name: "harness without the part", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.ShortingClip = fitmentv1.Reading_METER_AT_HARNESS, fitmentv1.Reading_OUT
		}), want: unknown},
		{rule: window, name: "clip in circuit", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.ShortingClip = fitmentv1.Reading_METER_AT_COMPONENT, fitmentv1.Reading_IN
		}), want: unknown},
		{rule: window, name: "two readings disagree", list: read(shown, 2.0, 4.5), want: unknown},
		// 3.8 ohms passes one maker's limits (open above 4.8) and fails another's (2.8), so without the
		// part's own window it decides nothing.
		{rule: window, name: "above the usual window only", list: numbered("K2", shown, forget(aLoop), reads(3.8, shown)), want: unknown},
		{rule: window, name: "one of two stages", need: driverBag(), list: numbered("D1", shown, func(l *fitmentv1.Listing) { l.Kind, l.Position = fitmentv1.Part_DRIVER_AIR_BAG, left1 }, forget(aLoop), reads(2.0, shown)), want: unknown},
		{rule: window, name: "both stages", need: driverBag(), list: numbered("D1", shown, func(l *fitmentv1.Listing) { l.Kind, l.Position = fitmentv1.Part_DRIVER_AIR_BAG, left1 }, forget(aLoop), staged(1, 2.0), staged(2, 2.0)), want: yes},
		{rule: window, name: "the same reading twice", need: driverBag(), list: bag(staged(1, 2.0), staged(1, 2.0)), want: unknown},
		{rule: window, name: "one stage twice", need: driverBag(), list: bag(staged(1, 2.0), staged(1, 2.1)), want: unknown},
		{rule: window, name: "stages not stated", need: driverBag(), list: bag(reads(2.0, shown), reads(2.1, shown)), want: unknown},
		{rule: loop, name: "the same reading twice", need: driverBag(), list: bag(staged(1, 2.0), staged(1, 2.0)), want: unknown},
		{rule: window, name: "a stage more than known", list: listing(forget(aLoop), staged(2, 2.0)), want: unknown},
		{rule: window, name: "claimed, then shown", list: listing(forget(aLoop), reads(2.0, claimed), reads(2.0, shown)), want: yes},
		{rule: window, name: "of another row, no side", list: by(func(r *fitmentv1.Reading) { r.Position = &fitmentv1.Position{Row: 2} }), want: unknown},
		{rule: window, name: "of another side, no row", list: by(func(r *fitmentv1.Reading) { r.Position = &fitmentv1.Position{Side: fitmentv1.Position_LEFT} }), want: unknown},
		{rule: window, name: "of the row, no side", list: by(func(r *fitmentv1.Reading) { r.Position = &fitmentv1.Position{Row: 1} }), want: yes},
		{rule: window, name: "of another part, plain fields not stated", list: listing(forget(aKind, aPosition, aLoop), curtain), want: unknown},
		{rule: loop, name: "of another part, plain fields not stated", list: listing(forget(aKind, aPosition, aLoop), curtain), want: unknown},
		{rule: window, name: "pulled from the other side, as stated", list: listing(instead(aPosition, "1 LEFT", shown), forget(aLoop), func(l *fitmentv1.Listing) {
			l.Position = left1
			reads(2.0, shown)(l)
		}), want: yes},
		{rule: window, name: "another side reads bad, pulled from there or not", list: unplaced(4.5, left1), want: unknown},
		{rule: loop, name: "another side reads open, pulled from there or not", list: unplaced(5e6, left1), want: unknown},
		{rule: loop, name: "another side reads well, pulled from there or not", list: unplaced(2.0, left1), want: yes},
		{rule: loop, name: "another side reads open, pulled from here", list: func() *fitmentv1.Listing {
			l := unplaced(5e6, left1)
			say(aPosition, "1 RIGHT", shown)(l)
			return l
		}(), want: yes},
		{rule: window, name: "no squib", need: module(), list: &fitmentv1.Listing{}, want: yes},

		// 16 to 20 megohms on a squib is an open circuit; common practice, no source.
		{rule: loop, name: "17 megohms", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.ShortingClip, r.Ohms = fitmentv1.Reading_METER_AT_COMPONENT, fitmentv1.Reading_OUT, new(17e6)
		}), want: no},
		{rule: window, name: "17 megohms", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.ShortingClip, r.Ohms = fitmentv1.Reading_METER_AT_COMPONENT, fitmentv1.Reading_OUT, new(17e6)
		}), want: no},
		{rule: loop, name: "2.0", list: read(shown, 2.0), want: yes},
		{rule: loop, name: "outside, yet not burnt", list: read(shown, 4.5), want: yes},
		// A module's display clips at 6.3 or 6.6 ohms (one maker's service text): open or high.
		{rule: loop, name: "end of the module's display", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.Ohms, r.DisplayLimitOhms = fitmentv1.Reading_MODULE_REPORTED, new(6.6), new(6.6)
		}), want: unknown},
		{rule: window, name: "end of the module's display", list: by(func(r *fitmentv1.Reading) {
			r.Method, r.Ohms, r.DisplayLimitOhms = fitmentv1.Reading_MODULE_REPORTED, new(6.6), new(6.6)
		}), want: no},
		{rule: loop, name: "2.0, claimed", list: read(claimed, 2.0), want: unknown},
		{rule: loop, name: "no reading", list: read(shown), want: unknown},
	}
}

// useTable holds the rules about one yes-or-no attribute that must be no.
func useTable() []one {
	bag, knee := driverBag(), kestrel(func(n *fitmentv1.Need) { n.Kind = fitmentv1.Part_KNEE_AIR_BAG })
	table := []one{
		// 49 CFR 563.9(a); NHTSA 21770rbm: whether an undeployed bag of such a donor is good is contested.
		{rule: "deployment.crash_record", name: "contested for bags", need: bag, list: listing(instead(aCrash, "yes", shown)), want: unknown},
		{rule: "deployment.code", name: "contested for bags", need: knee, list: listing(instead(aCode, "yes", shown)), want: unknown},
		{rule: "deployment.crash_record", name: "module", need: module(), list: listing(instead(aCrash, "yes", shown)), want: no},
		{rule: "history.belt_in_use", name: "no belt part", need: bag, list: &fitmentv1.Listing{}, want: yes},
	}
	for rule, attribute := range map[string]rules.Attribute{
		"deployment.marks": aMarks, "deployment.crash_record": aCrash, "deployment.code": aCode,
		"history.belt_in_use": aBelt, "history.flood": aFlood, "history.fire": aFire,
	} {
		table = append(table,
			one{rule: rule, name: "no, shown", list: listing(), want: yes},
			one{rule: rule, name: "no, claimed", list: listing(instead(attribute, "no", claimed)), want: unknown},
			one{rule: rule, name: "yes, claimed", list: listing(instead(attribute, "yes", claimed)), want: no},
			one{rule: rule, name: "not stated", list: listing(forget(attribute)), want: unknown},
			one{rule: rule, name: "contradicting", list: listing(say(attribute, "yes", claimed)), want: unknown},
			one{rule: rule, name: "unreadable", list: listing(say(attribute, "?", claimed)), want: unknown},
		)
	}
	return table
}

// 49 CFR 573.12(a), (b); Rhode Island § 31-53-5 (none that is or has been
// recalled).
func recallTable() []one {
	rule := "recall.open"
	notice := func(change func(*fitmentv1.Recall)) func(testing.TB, *catalogue.Catalogue) {
		return func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			r := &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "26-1", Issued: "2026-01-05", PartMaker: "Orbis", Kind: buckle}
			change(r)
			recall(tb, c, r)
		}
	}
	two := func(change func(*fitmentv1.Recall)) func(testing.TB, *catalogue.Catalogue) {
		return func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			notice(func(*fitmentv1.Recall) {})(tb, c)
			notice(func(r *fitmentv1.Recall) {
				r.Name, r.Number = "recalls/n2", "26-2"
				change(r)
			})(tb, c)
		}
	}
	uncovered := func(tb testing.TB, c *catalogue.Catalogue) {
		tb.Helper()
		recall(tb, c, &fitmentv1.Recall{Name: "recalls/cover", Type: fitmentv1.Recall_COVERAGE, Number: "set 1", AsOf: "2026-01-01", PartMaker: "Orbis"})
	}
	query := func(value, day string, level fitmentv1.Evidence_Level) func(*fitmentv1.Listing) {
		return func(l *fitmentv1.Listing) {
			l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: aOpen, Value: value, Level: level, Date: day})
		}
	}
	all := func(*fitmentv1.Recall) {}
	clean := query("no", "2026-06-01", shown)
	replaced := kestrel(func(n *fitmentv1.Need) { n.PartNumber, n.PartMaker = "Z9", "Orbis" })
	nameless := func(l *fitmentv1.Listing) { l.Donor.Make, l.Donor.Model = "", "" }
	return []one{
		{rule: rule, name: "covered set, no notice", list: listing(), want: yes},
		{rule: rule, name: "set too old", list: listing(), cat: uncovered, want: unknown},
		{rule: rule, name: "number not proven", list: numbered("K1", claimed), want: unknown},
		{rule: rule, name: "notice", list: listing(), cat: notice(all), want: no},
		{rule: rule, name: "notice for a claimed number", list: numbered("K1", claimed), cat: notice(func(r *fitmentv1.Recall) { r.PartNumber = "K1" }), want: no},
		{rule: rule, name: "notice for another year, VIN proven", list: listing(), cat: notice(func(r *fitmentv1.Recall) { r.YearFrom = 2006 }), want: yes},
		{rule: rule, name: "notice for another year, year claimed", list: listing(forget(aVIN)), cat: notice(func(r *fitmentv1.Recall) { r.YearFrom = 2006 }), want: unknown},
		{rule: rule, name: "notice, remedied shown", list: listing(say(aRemedied, "yes", shown)), cat: notice(all), want: yes},
		{rule: rule, name: "notice, remedied shown, number claimed", list: numbered("K1", claimed, say(aRemedied, "yes", shown)), cat: notice(all), want: unknown},
		{rule: rule, name: "two notices, remedied shown", list: listing(say(aRemedied, "yes", shown)), cat: two(all), want: unknown},
		{rule: rule, name: "another notice may cover, remedied shown", list: listing(nameless, say(aRemedied, "yes", shown)), cat: two(func(r *fitmentv1.Recall) { r.Make, r.Model = "Velorn", "Kestrel" }), want: unknown},
		{rule: rule, name: "another vehicle's notice too, remedied shown", list: listing(say(aRemedied, "yes", shown)), cat: two(func(r *fitmentv1.Recall) { r.Make, r.Model = "Velorn", "Merlin" }), want: yes},
		{rule: rule, name: "query finds one, remedied shown", list: listing(query("yes", "2026-06-01", claimed), say(aRemedied, "yes", shown)), cat: notice(all), want: unknown},
		{rule: rule, name: "notice, remedied disputed", list: listing(say(aRemedied, "yes", shown), say(aRemedied, "no", claimed)), cat: notice(all), want: no},
		{rule: rule, name: "notice, remedied claimed", list: listing(say(aRemedied, "yes", claimed)), cat: notice(all), want: no},
		{rule: rule, name: "query finds none", list: listing(query("no", "2026-06-01", shown)), cat: uncovered, want: yes},
		{rule: rule, name: "query of 30 days ago", list: listing(query("no", "2026-05-31", shown)), cat: uncovered, want: yes},
		{rule: rule, name: "query of 31 days ago", list: listing(query("no", "2026-05-30", shown)), cat: uncovered, want: unknown},
		{rule: rule, name: "query without a day", list: listing(query("no", "", shown)), cat: uncovered, want: unknown},
		{rule: rule, name: "query of tomorrow", list: listing(query("no", "2026-07-01", shown)), cat: uncovered, want: unknown},
		{rule: rule, name: "query claimed", list: listing(query("no", "2026-06-01", claimed)), cat: uncovered, want: unknown},
		{rule: rule, name: "query, VIN claimed", list: listing(instead(aVIN, goodVIN, claimed), query("no", "2026-06-01", shown)), cat: uncovered, want: unknown},
		{rule: rule, name: "query finds one, claimed", list: listing(query("yes", "", claimed)), want: no},
		{rule: rule, name: "query against a notice", list: listing(query("no", "2026-06-01", confirmed)), cat: notice(all), want: no},
		{rule: rule, name: "query, number proven of no maker", list: numbered("Z9", shown, makerless, clean), cat: notice(func(r *fitmentv1.Recall) { r.PartNumber = "Z9" }), want: unknown},
		{rule: rule, name: "query, another maker claimed", list: numbered("Z9", shown, func(l *fitmentv1.Listing) { l.PartMaker = "Norrin" }, clean), cat: notice(func(r *fitmentv1.Recall) { r.PartNumber = "Z9" }), want: unknown},
		{rule: rule, name: "query, the maker stated", list: numbered("Z9", shown, clean), cat: notice(func(r *fitmentv1.Recall) { r.PartNumber = "Z9" }), want: no},
		{rule: rule, name: "query, maker not proven, no notice", list: numbered("Z9", shown, makerless, clean), want: unknown},
		{rule: rule, name: "query, bears the proven replaced number", need: replaced, list: numbered("Z9", shown, makerless, clean), cat: uncovered, want: yes},
		{rule: rule, name: "query, a younger notice may cover", list: listing(nameless, clean), cat: notice(func(r *fitmentv1.Recall) { r.Issued, r.Make, r.Model = "2026-06-20", "Velorn", "Kestrel" }), want: unknown},
		{rule: rule, name: "query, a younger notice of another model", list: listing(clean), cat: notice(func(r *fitmentv1.Recall) { r.Issued, r.Make, r.Model = "2026-06-20", "Velorn", "Merlin" }), want: yes},
		{rule: rule, name: "query, notice by the VIN's year", list: listing(forget(aYear), clean), cat: notice(func(r *fitmentv1.Recall) { r.YearFrom, r.YearTo = 2005, 2005 }), want: no},
		{rule: rule, name: "queries contradict", list: listing(query("no", "2026-06-01", shown), query("yes", "2026-06-02", claimed)), want: unknown},
	}
}

func provenanceTable() []one {
	number, label, by := "provenance.donor_vin", "provenance.label", "provenance.pulled_by"
	abroad := func(market string) func(*fitmentv1.Listing) {
		return func(l *fitmentv1.Listing) {
			instead(aVIN, "1G4AH59H55G118341", shown)(l)
			l.Donor.Market = market
		}
	}
	return []one{
		// 49 CFR 565.15, sample calculation: 411 mod 11 = 4; with 5 in its place it fails.
		{rule: number, name: "shown", list: listing(), want: yes},
		{rule: number, name: "claimed", list: listing(instead(aVIN, goodVIN, claimed)), want: unknown},
		{rule: number, name: "not stated", list: listing(forget(aVIN)), want: unknown},
		{rule: number, name: "check digit wrong, US", list: listing(abroad("US")), want: no},
		{rule: number, name: "check digit wrong, market not stated", list: listing(abroad("")), want: unknown},
		{rule: number, name: "letter O", list: listing(instead(aVIN, "1G4AH59H4OG118341", claimed)), want: no},
		{rule: number, name: "year disagrees", list: listing(instead(aYear, "2009", shown)), want: unknown},

		{rule: label, name: "shown", list: listing(), want: yes},
		{rule: label, name: "claimed", list: listing(instead(aLegible, "yes", claimed)), want: unknown},
		{rule: label, name: "illegible", list: listing(instead(aLegible, "no", shown)), want: no},
		{rule: label, name: "number read by another", list: numbered("K1", confirmed, forget(aLegible)), want: yes},
		{rule: label, name: "illegible, yet read", list: numbered("K1", confirmed, instead(aLegible, "no", shown)), want: unknown},

		{rule: by, name: "shown", list: listing(say(aPulledBy, "no. 14", shown)), want: yes},
		{rule: by, name: "claimed", list: listing(say(aPulledBy, "no. 14", claimed)), want: unknown},
		{rule: by, name: "not known to the yard", list: listing(say(aPulledBy, "Unknown", claimed)), want: no},
		{rule: by, name: "not stated", list: listing(), want: unknown},
	}
}

func TestEveryRuleHasRowsForEachAnswerAndASource(t *testing.T) {
	t.Parallel()
	answers := map[string]map[evidence.Answer]bool{}
	for _, c := range everyRow() {
		if answers[c.rule] == nil {
			answers[c.rule] = map[evidence.Answer]bool{}
		}
		answers[c.rule][c.want] = true
	}
	seen := map[string]bool{}
	for _, rule := range rules.All() {
		if len(answers[rule.ID]) != 3 {
			t.Errorf("%s: the tables show only %v", rule.ID, answers[rule.ID])
		}
		if seen[rule.ID] || rule.Source == "" || rule.Check == nil || len(rule.Reads) == 0 || rule.Severity == 0 || !strings.HasPrefix(rule.ID, rule.Family+".") {
			t.Errorf("%s: incomplete or twice", rule.ID)
		}
		seen[rule.ID] = true
	}
}
