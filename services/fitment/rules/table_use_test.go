package rules_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/jurisdiction"
)

// with changes a part of the world, K1 where no other is named.
func with(number string, change func(*fitmentv1.Part)) func(testing.TB, *catalogue.Catalogue) {
	return func(tb testing.TB, c *catalogue.Catalogue) {
		tb.Helper()
		part := proto.CloneOf(c.Part("Orbis", number))
		change(part)
		if err := c.PutPart(part); err != nil {
			tb.Fatal(err)
		}
	}
}

// moduleListing is a documented listing of M1.
func moduleListing(changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
	l := numbered("M1", shown, func(l *fitmentv1.Listing) { l.Kind, l.Position = fitmentv1.Part_CONTROL_MODULE, nil })
	for _, change := range changes {
		change(l)
	}
	return l
}

// makerTable holds what follows from the part's maker and what the vehicle's maker
// says; trade practice, no source.
func makerTable() []one {
	module_, parts, once, alone := "module.programming", "maker.donor_parts", "fitting.one_use", "fitting.alone"
	set := func(p fitmentv1.Part_Programming) func(testing.TB, *catalogue.Catalogue) {
		return with("M1", func(m *fitmentv1.Part) { m.Programming = p })
	}
	ban := func(numbers ...string) func(testing.TB, *catalogue.Catalogue) {
		return func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			for _, number := range numbers {
				with(number, func(p *fitmentv1.Part) { p.DonorPolicy = fitmentv1.Part_FORBIDDEN })(tb, c)
			}
		}
	}
	fitting := func(change func(*fitmentv1.Part)) func(testing.TB, *catalogue.Catalogue) { return with("K1", change) }
	known := fitting(func(p *fitmentv1.Part) { p.FittingKnown = true })
	bolt := fitting(func(p *fitmentv1.Part) { p.OneUse = []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 1}} })
	pair := fitting(func(p *fitmentv1.Part) {
		p.ReplaceWith = []*fitmentv1.Part_Related{{Kind: fitmentv1.Part_RETRACTOR_PRETENSIONER}}
	})
	return []one{
		{rule: module_, name: "no module", list: &fitmentv1.Listing{}, want: yes},
		{rule: module_, name: "set up after fitting", need: module(), list: moduleListing(forget(aProgrammable)), cat: set(fitmentv1.Part_SETUP), want: yes},
		{rule: module_, name: "needs nothing", need: module(), list: moduleListing(forget(aProgrammable)), cat: set(fitmentv1.Part_NONE), want: yes},
		{rule: module_, name: "needs nothing, stated otherwise", need: module(), list: moduleListing(instead(aProgrammable, "no", claimed)), cat: set(fitmentv1.Part_NONE), want: unknown},
		{rule: module_, name: "locked", need: module(), list: moduleListing(forget(aProgrammable)), cat: set(fitmentv1.Part_LOCKED), want: no},
		{rule: module_, name: "locked, stated otherwise", need: module(), list: moduleListing(instead(aProgrammable, "yes", claimed)), cat: set(fitmentv1.Part_LOCKED), want: unknown},
		{rule: module_, name: "locked, number claimed", need: module(), list: moduleListing(instead(aNumber, "M1", claimed)), cat: set(fitmentv1.Part_LOCKED), want: yes},
		{rule: module_, name: "shown", need: module(), list: moduleListing(), want: yes},
		{rule: module_, name: "claimed", need: module(), list: moduleListing(instead(aProgrammable, "yes", claimed)), want: unknown},
		{rule: module_, name: "cannot, claimed", need: module(), list: moduleListing(instead(aProgrammable, "no", claimed)), want: no},
		{rule: module_, name: "contradicting", need: module(), list: moduleListing(say(aProgrammable, "no", shown)), cat: set(fitmentv1.Part_SETUP), want: unknown},

		{rule: parts, name: "no rule known", list: listing(), want: yes},
		{rule: parts, name: "ruled out", list: listing(), cat: ban("K1"), want: no},
		{rule: parts, name: "another one ruled out", list: listing(), cat: ban("K2", "K3"), want: yes},
		{rule: parts, name: "ruled out, number claimed", list: numbered("K1", claimed), cat: ban("K1"), want: unknown},
		{rule: parts, name: "all ruled out, number not known", list: unlabelled(), cat: ban("K1", "K2", "K3"), want: no},
		{rule: parts, name: "all but the listed one ruled out, claimed", list: numbered("X1", claimed), cat: ban("K1", "K2", "K3"), want: unknown},
		{rule: parts, name: "all right ones ruled out, number proven and unheard of", list: numbered("QQ9", shown), cat: ban("K1", "K2", "K3"), want: no},
		{rule: parts, name: "nothing listed", need: kestrel(func(n *fitmentv1.Need) { n.Vehicle.Model = "Osprey" }), list: unlabelled(), want: yes},

		{rule: once, name: "list known and empty", list: listing(), cat: known, want: yes},
		{rule: once, name: "a bolt", list: listing(), cat: bolt, want: no},
		{rule: once, name: "list not known", list: listing(), want: unknown},
		{rule: once, name: "number claimed", list: numbered("K1", claimed), cat: bolt, want: unknown},
		{rule: alone, name: "list known and empty", list: listing(), cat: known, want: yes},
		{rule: alone, name: "with the retractor", list: listing(), cat: pair, want: no},
		{rule: alone, name: "list not known", list: listing(), cat: bolt, want: unknown},
	}
}

// restraintTable: texts as makers file them (49 CFR 565.16), invented here.
func restraintTable() []one {
	rule := "identity.restraint_text"
	texts := func(text string) *fitmentv1.Need {
		return kestrel(func(n *fitmentv1.Need) { n.Vehicle.RestraintText = text })
	}
	donor := func(text string, changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
		return unlabelled(append(changes, func(l *fitmentv1.Listing) { l.Donor.RestraintText = text })...)
	}
	const has, lacks = "Driver and passenger air bags, pretensioners", "Without pretensioners"
	right := func(l *fitmentv1.Listing) { instead(aNumber, "K1", shown)(l) }
	identical := texts(has)
	identical.PartNumber = "QQ9"
	yearless := texts(has)
	yearless.Vehicle.ModelYear = 0
	return []one{
		{rule: rule, name: "both silent", list: listing(), want: yes},
		{rule: rule, name: "the donor silent", need: texts(has), list: donor(""), want: yes},
		{rule: rule, name: "the same", need: texts(has), list: donor("pretensioners"), want: yes},
		{rule: rule, name: "opposite", need: texts(has), list: donor(lacks), want: no},
		{rule: rule, name: "opposite the other way", need: texts(lacks), list: donor(has), want: no},
		{rule: rule, name: "opposite, the number claimed", need: texts(has), list: donor(lacks, func(l *fitmentv1.Listing) { instead(aNumber, "K1", claimed)(l) }), want: no},
		{rule: rule, name: "opposite, the number right", need: texts(has), list: donor(lacks, right), want: unknown},
		{rule: rule, name: "opposite, the number right but for the year", need: yearless, list: donor(lacks, right), want: no},
		{rule: rule, name: "opposite, it bears the replaced number", need: identical, list: donor(lacks, func(l *fitmentv1.Listing) { instead(aNumber, "QQ9", shown)(l) }), want: unknown},
	}
}

// codeTable: a maker's service data of about 2000 to 2009 gives B0051 and B0053 as
// "deployment commanded"; by SAE J2012 the same numbers mean something else.
func codeTable() []one {
	rule := "deployment.code"
	dialect := func(id string) func(testing.TB, *catalogue.Catalogue) {
		return func(tb testing.TB, c *catalogue.Catalogue) {
			tb.Helper()
			if err := c.PutVehicleData(&fitmentv1.VehicleData{Name: "vehicleData/1", Make: "velorn", Model: "KESTREL", YearFrom: 2004, YearTo: 2006, Dialect: id}); err != nil {
				tb.Fatal(err)
			}
		}
	}
	legacy, standard := dialect("legacy-a"), dialect("standard")
	codes := func(list string, level fitmentv1.Evidence_Level, flags ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
		return listing(append(append([]func(*fitmentv1.Listing){forget(aCode)}, flags...), say(aCodes, list, level))...)
	}
	flag := func(value string, level fitmentv1.Evidence_Level) func(*fitmentv1.Listing) {
		return say(aCode, value, level)
	}
	return []one{
		{rule: rule, name: "commanded in the donor's dialect, claimed", list: codes("B0051", claimed), cat: legacy, want: no},
		{rule: rule, name: "the same number by the standard, shown", list: codes("B0051", shown), cat: standard, want: yes},
		{rule: rule, name: "the same number by the standard, VIN claimed", list: codes("B0051", shown, instead(aVIN, goodVIN, claimed)), cat: standard, want: unknown},
		{rule: rule, name: "commanded in no dialect, VIN claimed", list: codes("B0058", shown, instead(aVIN, goodVIN, claimed)), cat: standard, want: yes},
		{rule: rule, name: "commanded in the donor's dialect, VIN claimed", list: codes("B0051", shown, instead(aVIN, goodVIN, claimed)), cat: legacy, want: no},
		{rule: rule, name: "the same number by the standard, claimed", list: codes("B0051", claimed), cat: standard, want: unknown},
		{rule: rule, name: "by the standard, were the donor's year not disputed", list: codes("B0051", shown, say(aYear, "2003", shown)), cat: standard, want: unknown},
		{rule: rule, name: "by the standard in the year that only evidence states", list: codes("B0051", shown, forget(aYear), func(l *fitmentv1.Listing) { l.Donor.ModelYear = 0 }, say(aYear, "2005", shown)), cat: standard, want: yes},
		{rule: rule, name: "the same number, dialect not known", list: codes("B0051", shown), want: unknown},
		{rule: rule, name: "dialect not known, the flag no", list: codes("B0051", shown, flag("no", confirmed)), want: unknown},
		{rule: rule, name: "dialect not known, the flag yes", list: codes("B0051", shown, flag("yes", claimed)), want: no},
		{rule: rule, name: "none stored, shown", list: codes("none", shown), want: yes},
		{rule: rule, name: "none stored, claimed, the flag shown", list: codes("none", claimed, flag("no", shown)), want: yes},
		{rule: rule, name: "none stored, claimed", list: codes("none", claimed), want: unknown},
		{rule: rule, name: "none stored, the flag yes", list: codes("none", shown, flag("yes", claimed)), want: unknown},
		{rule: rule, name: "commanded, the flag no", list: codes("B0053", shown, flag("no", shown)), cat: legacy, want: unknown},
		{rule: rule, name: "two scans differ", list: codes("none", shown, say(aCodes, "B0058", claimed)), want: unknown},
		{rule: rule, name: "no list of codes", list: codes("seven", shown, flag("no", shown)), want: unknown},
		{rule: rule, name: "contested for bags", need: driverBag(), list: codes("B0051", shown), cat: legacy, want: unknown},
		{rule: rule, name: "module", need: module(), list: codes("B0051, B0058", shown), cat: legacy, want: no},
	}
}

// conditionTable: Rhode Island § 31-53-3, a damaged bag is nonfunctional.
func conditionTable() []one {
	var table []one
	for _, rule := range []struct {
		id        string
		attribute fitmentv1.Evidence_Attribute
	}{{"condition.damage", aDamage}, {"cosmetic.blemishes", aCosmetic}} {
		table = append(table,
			one{rule: rule.id, name: "none, shown", list: listing(instead(rule.attribute, "no", shown)), want: yes},
			one{rule: rule.id, name: "none, claimed", list: listing(instead(rule.attribute, "no", claimed)), want: unknown},
			one{rule: rule.id, name: "some, claimed", list: listing(instead(rule.attribute, "yes", claimed)), want: no},
			one{rule: rule.id, name: "not stated", list: listing(forget(rule.attribute)), want: unknown},
			one{rule: rule.id, name: "contradicting", list: listing(instead(rule.attribute, "no", shown), say(rule.attribute, "yes", shown)), want: unknown})
	}
	return table
}

// madeTable: today is 30 June 2026, and K1 gets a life of 20 years.
func madeTable() []one {
	rule := "age.service_life"
	life := with("K1", func(p *fitmentv1.Part) { p.ServiceLifeYears = 20 })
	made := func(value string, level fitmentv1.Evidence_Level) *fitmentv1.Listing {
		return listing(say(aMade, value, level))
	}
	return []one{
		{rule: rule, name: "made a day too early", list: made("2006-06-29", claimed), cat: life, want: no},
		{rule: rule, name: "made 20 years ago to the day", list: made("2006-06-30", shown), cat: life, want: unknown},
		{rule: rule, name: "made a day late enough", list: made("2006-07-01", shown), cat: life, want: yes},
		{rule: rule, name: "the same, claimed", list: made("2006-07-01", claimed), cat: life, want: unknown},
		{rule: rule, name: "made in the month of today", list: made("2006-06", shown), cat: life, want: unknown},
		{rule: rule, name: "made in the month before", list: made("2006-05", shown), cat: life, want: no},
		{rule: rule, name: "made in the year", list: made("2006", shown), cat: life, want: unknown},
		{rule: rule, name: "made in the year after", list: made("2007", shown), cat: life, want: yes},
		{rule: rule, name: "the label goes before the donor's year", list: listing(instead(aYear, "2001", shown), forget(aVIN), say(aMade, "2010", shown)), cat: life, want: yes},
		{rule: rule, name: "made in the future", list: made("2027", confirmed), cat: life, want: unknown},
		{rule: rule, name: "dates contradict", list: listing(say(aMade, "2010", shown), say(aMade, "2011", claimed)), cat: life, want: unknown},
		{rule: rule, name: "no date", list: made("last year", shown), cat: life, want: unknown},
		{rule: rule, name: "no life set", list: made("1999", shown), want: yes},
	}
}

// lawTable: what the places demand stands in the packs with its source; a pack of
// a place that does not exist shows the rest.
func lawTable() []one {
	sale, reuse := "jurisdiction.sale", "jurisdiction.reuse"
	at := func(place string, changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
		return listing(append([]func(*fitmentv1.Listing){func(l *fitmentv1.Listing) { l.Jurisdiction = place }}, changes...)...)
	}
	dated := func(attribute fitmentv1.Evidence_Attribute, value, day string) func(*fitmentv1.Listing) {
		return func(l *fitmentv1.Listing) {
			l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: attribute, Value: value, Level: shown, Date: day})
		}
	}
	bag := func(change func(*fitmentv1.Need)) *fitmentv1.Need {
		n := driverBag()
		change(n)
		return n
	}
	there := func(place string) *fitmentv1.Need { return bag(func(n *fitmentv1.Need) { n.Jurisdiction = place }) }
	notice := func(tb testing.TB, c *catalogue.Catalogue) {
		tb.Helper()
		recall(tb, c, &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "26-1", Issued: "2026-01-05", PartMaker: "Orbis"})
	}
	theft, statement := say(aTheft, "yes", shown), say(aStatement, "yes", shown)
	table := []one{
		{rule: sale, name: "nothing demanded", list: listing(), want: yes},
		{rule: reuse, name: "nothing demanded of buckles", list: listing(instead(aMarks, "yes", shown)), want: yes},
		// RCW 46.37.640(3), 46.37.660(1)(a).
		{rule: reuse, name: "Washington, bag without marks", need: driverBag(), list: listing(), want: yes},
		{rule: reuse, name: "Washington, bag with marks", need: driverBag(), list: listing(instead(aMarks, "yes", claimed)), want: no},
		{rule: reuse, name: "Washington, marks not stated", need: driverBag(), list: listing(forget(aMarks)), want: unknown},
		// N.Y. Vehicle and Traffic Law § 415-c(1), (2).
		{rule: sale, name: "New York, nothing shown", need: driverBag(), list: at("US-NY"), want: unknown},
		{rule: sale, name: "New York, query and certificate shown", need: driverBag(), list: at("US-NY", theft, statement), want: yes},
		{rule: sale, name: "New York, only the query", need: driverBag(), list: at("US-NY", theft), want: unknown},
		{rule: sale, name: "New York, the query found something", need: driverBag(), list: at("US-NY", say(aTheft, "no", claimed), statement), want: no},
		{rule: sale, name: "the installer's New York", need: there("US-NY"), list: listing(), want: unknown},
		// R.I. Gen. Laws § 31-53-5(a)(1).
		{rule: sale, name: "Rhode Island, never recalled", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", shown)), want: yes},
		{rule: sale, name: "Rhode Island, remedied", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", shown), say(aRemedied, "yes", shown)), cat: notice, want: no},
		{rule: sale, name: "Rhode Island, remedy claimed of no notice", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", shown), say(aRemedied, "yes", claimed)), want: no},
		{rule: sale, name: "Rhode Island, remedy disputed", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", shown), say(aRemedied, "yes", claimed), say(aRemedied, "no", claimed)), want: unknown},
		{rule: sale, name: "Rhode Island, VIN claimed", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", shown), instead(aVIN, goodVIN, claimed)), want: unknown},
		{rule: sale, name: "Rhode Island, number claimed", need: driverBag(), list: at("US-RI", instead(aNumber, "D1", claimed)), want: unknown},
		// NZ Transport Agency, LVRC bulletin 2.
		{rule: reuse, name: "New Zealand, who pulled it is not known", need: there("NZ"), list: listing(statement), want: unknown},
		{rule: reuse, name: "New Zealand, the yard does not know who", need: there("NZ"), list: listing(statement, say(aPulledBy, "unknown", shown)), want: no},
		{rule: reuse, name: "New Zealand, all shown", need: there("NZ"), list: listing(statement, say(aPulledBy, "no. 14", shown)), want: yes},
		// Where a place is not known, the law of all counts.
		{rule: sale, name: "the installer's place not stated", need: there(""), list: listing(instead(aNumber, "D1", shown)), want: unknown},
		{rule: sale, name: "a state without a pack", need: there("US-ZZ"), list: listing(instead(aNumber, "D1", shown), theft, statement), want: yes},
	}
	for day, want := range map[string]evidence.Answer{"2026-06-30": yes, "2026-06-20": yes, "2026-06-19": unknown, "2026-07-01": unknown, "": unknown} {
		table = append(table, one{
			rule: reuse, name: "query of " + day, need: kestrel(func(n *fitmentv1.Need) { n.Jurisdiction = "XA" }),
			list: at("XA", dated(aTheft, "yes", day)), packs: elsewhere, want: want,
		})
	}
	return append(table,
		one{rule: sale, name: "forbidden", need: kestrel(func(n *fitmentv1.Need) { n.Jurisdiction = "XB" }), list: at("XA"), packs: elsewhere, want: no},
		one{rule: sale, name: "forbidden for belts only", need: module(), list: at("XB"), packs: elsewhere, want: yes})
}

// elsewhere is the law of two places that do not exist: a query of at most ten
// days, and no belts.
func elsewhere(tb testing.TB) *jurisdiction.Set {
	tb.Helper()
	set, err := jurisdiction.Builtin().With(
		&jurisdiction.Pack{Jurisdiction: "XA", Place: "Elsewhere", Version: "2026-01-01", Provisions: []jurisdiction.Provision{{
			ID: "XA.query", Condition: jurisdiction.Evidence, Attribute: aTheft, Value: "yes", MaxAgeDays: 10, Text: "A fresh query.", Source: "invented",
		}}},
		&jurisdiction.Pack{Jurisdiction: "XB", Place: "Nowhere", Version: "2026-01-01", Provisions: []jurisdiction.Provision{{
			ID: "XB.belts", Sale: true, Kinds: []fitmentv1.Part_Kind{buckle}, Condition: jurisdiction.Forbidden, Text: "No belts.", Source: "invented",
		}}})
	if err != nil {
		tb.Fatal(err)
	}
	return set
}
