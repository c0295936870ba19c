package rules_test

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"math/rand/v2"
	"os"
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

// versionFile holds the version of the rules and the digest of what they say.
const versionFile = "testdata/version"

// versionQuestions is how many questions the digest is of.
const versionQuestions = 2_000

// TestBehaviourChangesOnlyWithTheVersion decides random questions, the same ones
// every time, and compares every word of the decisions with the digest beside the
// version. The law is made up and what names the data is left out, since data has
// versions of its own.
func TestBehaviourChangesOnlyWithTheVersion(t *testing.T) {
	t.Parallel()
	d := rand.New(rand.NewPCG(2026, 11))
	policy := rules.DefaultPolicy()
	policy.Packs = madeUpLaw(t)
	hash, verdicts := sha256.New(), map[fitmentv1.Decision_Verdict]int{}
	for range versionQuestions {
		need, list, cat := randomNeed(d), randomListing(d), randomWorld(t, d)
		decision := rules.Decide(need, list, cat, policy, today)
		verdicts[decision.GetVerdict()]++
		decision.Basis = nil
		raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(decision)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := hash.Write(raw); err != nil {
			t.Fatal(err)
		}
	}
	if len(verdicts) != 4 {
		t.Errorf("the questions reach only %v", verdicts)
	}
	want := rules.Version + " " + hex.EncodeToString(hash.Sum(nil))
	got, err := os.ReadFile(versionFile)
	if err != nil {
		t.Fatal(err)
	}
	if strings.TrimSpace(string(got)) != want {
		t.Errorf("the rules answer otherwise than when %s was written, which says\n%sIf that is meant, change Version and write there\n%s", versionFile, got, want)
	}
}

// madeUpLaw is the law of one place in another one, and of a third.
func madeUpLaw(tb testing.TB) *jurisdiction.Set {
	tb.Helper()
	demand := func(id string, sale bool, attribute rules.Attribute, value string, days int) jurisdiction.Provision {
		return jurisdiction.Provision{
			ID: id, Sale: sale, Condition: jurisdiction.Evidence, Attribute: attribute, Value: value, MaxAgeDays: days, Text: "It must be shown.", Source: "invented",
		}
	}
	set, err := (&jurisdiction.Set{}).With(
		&jurisdiction.Pack{Jurisdiction: "XA", Place: "Elsewhere", Version: "2026-01-01", Provisions: []jurisdiction.Provision{
			demand("XA.query", true, aTheft, "yes", 10), demand("XA.vin", true, aVIN, "", 0), demand("XA.number", false, aNumber, "", 0),
		}},
		&jurisdiction.Pack{Jurisdiction: "XA-B", Place: "A part of it", Version: "2026-01-01", Within: "XA", Provisions: []jurisdiction.Provision{
			{ID: "XA-B.recalls", Sale: true, Condition: jurisdiction.NeverRecalled, Text: "None that was recalled.", Source: "invented"},
			demand("XA-B.who", false, aPulledBy, "", 0),
		}},
		&jurisdiction.Pack{Jurisdiction: "XC", Place: "Nowhere", Version: "2026-01-01", Obligations: []jurisdiction.Obligation{
			{Obligation: &fitmentv1.Obligation{Jurisdiction: "XC", Type: fitmentv1.Obligation_KEEP, Years: 3, Text: "Keep the invoice.", Source: "invented"}},
			{Obligation: &fitmentv1.Obligation{Jurisdiction: "XC", Type: fitmentv1.Obligation_WHO, Party: fitmentv1.Obligation_SELLER, Text: "Only yards sell.", Source: "invented"}},
			{
				Obligation: &fitmentv1.Obligation{Jurisdiction: "XC", Type: fitmentv1.Obligation_VERIFY, Party: fitmentv1.Obligation_INSTALLER, Text: "Look at the lamp.", Source: "invented"},
				Kinds:      []fitmentv1.Part_Kind{fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_DRIVER_AIR_BAG},
			},
		}})
	if err != nil {
		tb.Fatal(err)
	}
	return set
}

func oneOf[T any](d *rand.Rand, values ...T) T { return values[d.IntN(len(values))] }

func randomNeed(d *rand.Rand) *fitmentv1.Need {
	n := oneOf(d, kestrel(), kestrel(), kestrel(), swift("2005-03-01"), swift("2005-02-01"), swift(""), driverBag(), module())
	n.Jurisdiction = oneOf(d, "XC", "XC", "XA", "XA-B", "")
	n.Vehicle.ModelYear = oneOf[int32](d, 2005, 2005, 2005, 2006, 2008, 0)
	n.PartNumber = oneOf(d, "", "", "", "K1", "K2", "QQ9")
	n.Vehicle.RestraintText = oneOf(d, "", "pretensioners, air bags")
	return n
}

// pools holds what is stated of attributes beside what a documented listing says.
var pools = map[rules.Attribute][]string{
	aNumber: {"K1", "K2", "K3", "X1", "S1", "S2", "D1", "M1", "QQ9", "?"}, aMaker: {"Orbis", "Norrin"}, aKind: {"BUCKLE_PRETENSIONER", "CONTROL_MODULE", "?"},
	aPosition: {"1 RIGHT", "1 LEFT"}, aDriveSide: {"LEFT", "RIGHT"}, aYear: {"2005", "2009"}, aVIN: {goodVIN, badDigit}, aKeying: {"B", "C"},
	aStages: {"1", "2"}, aClip: {"yes", "no"}, aPigtail: {"no", "yes"}, aMarks: {"no", "yes"}, aCrash: {"no", "yes"}, aCode: {"no", "yes"},
	aCodes: {"none", "B0051", "B0058-1A"}, aBelt: {"no", "yes"}, aFlood: {"no", "yes"}, aFire: {"no", "yes"}, aOpen: {"no", "yes"}, aRemedied: {"yes", "no"},
	aLegible: {"yes", "no"}, aPulledBy: {"no. 14", "unknown"}, aDamage: {"no", "yes"}, aCosmetic: {"no", "yes"}, aProgrammable: {"yes", "no"},
	aTheft: {"yes", "no"}, aStatement: {"yes", "no"}, aMade: {"2010", "1999-05"},
}

func randomListing(d *rand.Rand) *fitmentv1.Listing {
	l := documented(say(aTheft, "yes", shown), say(aPulledBy, "no. 14", shown))
	slices.SortStableFunc(l.GetEvidence(), func(a, b *fitmentv1.Evidence) int { return cmp.Compare(a.GetAttribute(), b.GetAttribute()) })
	for _, e := range l.GetEvidence() {
		e.Date = oneOf(d, "2026-06-25", "2026-05-31")
	}
	l.Jurisdiction = oneOf(d, "XC", "XC", "XA", "XA-B", "")
	l.Donor.RestraintText = oneOf(d, "", "", "no pretensioners")
	attributes := make([]rules.Attribute, 0, len(pools))
	for a := rules.Attribute(1); a <= aMade; a++ {
		if pools[a] != nil {
			attributes = append(attributes, a)
		}
	}
	for range oneOf(d, 0, 1, 1, 2, 4, 8) {
		a := oneOf(d, attributes...)
		change := oneOf(d, forget(a), instead(a, oneOf(d, pools[a]...), oneOf(d, claimed, shown, shown)), say(a, oneOf(d, pools[a]...), claimed))
		change(l)
	}
	if d.IntN(8) == 0 {
		oneOf(d, forget(aLoop), reads(4.5, shown), reads(0.05, claimed))(l)
	}
	return l
}

func randomWorld(tb testing.TB, d *rand.Rand) *catalogue.Catalogue {
	tb.Helper()
	cat := worldOf(tb)
	spoil := oneOf(d, func(testing.TB, *catalogue.Catalogue) {}, func(testing.TB, *catalogue.Catalogue) {}, rival, rivalNotice,
		with("K1", func(p *fitmentv1.Part) { p.DonorPolicy = fitmentv1.Part_FORBIDDEN }),
		with("K1", func(p *fitmentv1.Part) {
			p.ServiceLifeYears, p.FittingKnown, p.OneUse = 20, true, []*fitmentv1.Part_OneUse{{Text: "bolt"}}
		}),
		with("K1", func(p *fitmentv1.Part) {
			p.FittingKnown, p.ReplaceWith = true, []*fitmentv1.Part_Related{{Kind: fitmentv1.Part_RETRACTOR_PRETENSIONER}}
		}),
		with("M1", func(p *fitmentv1.Part) { p.Programming = oneOf(d, fitmentv1.Part_LOCKED, fitmentv1.Part_SETUP) }),
	)
	spoil(tb, cat)
	if d.IntN(3) == 0 {
		if err := cat.PutVehicleData(&fitmentv1.VehicleData{Name: "vehicleData/1", Make: "Velorn", Dialect: oneOf(d, "legacy-a", "standard")}); err != nil {
			tb.Fatal(err)
		}
	}
	return cat
}

// The digest tells two rules apart: were one of them to answer otherwise, so would
// a question of those that it is of.
func TestTheDigestNoticesEveryRule(t *testing.T) {
	t.Parallel()
	answers := map[string]map[evidence.Answer]bool{}
	d := rand.New(rand.NewPCG(2026, 11))
	policy := rules.DefaultPolicy()
	policy.Packs = madeUpLaw(t)
	for range versionQuestions {
		need, list, cat := randomNeed(d), randomListing(d), randomWorld(t, d)
		all := rules.All()
		for i, answer := range rules.Answers(rules.For(need, cat, policy, today), list) {
			id := all[i].ID
			if answers[id] == nil {
				answers[id] = map[evidence.Answer]bool{}
			}
			answers[id][answer] = true
		}
	}
	for _, rule := range rules.All() {
		if len(answers[rule.ID]) != 3 {
			t.Errorf("%s only answers %v", rule.ID, answers[rule.ID])
		}
	}
}
