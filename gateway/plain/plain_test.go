package plain_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"beltwright.example/gateway/plain"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const name = "listings/kettlewick.SOLANE-1"

func need() *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Tarvena", Model: "Solane", ModelYear: 2006, Body: "saloon", DriveSide: fitmentv1.Vehicle_LEFT, Market: "US"},
		Kind:    fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
		PartMaker: "Korrin", PartNumber: "KR-100", Jurisdiction: "US-WA",
	}
}

func finding(rule string, answer fitmentv1.Finding_Answer, severity fitmentv1.Finding_Severity, reason, source string) *fitmentv1.Finding {
	return &fitmentv1.Finding{Rule: rule, Answer: answer, Severity: severity, Reason: reason, Source: source, Remedy: "Ask the yard for a photo of the label."}
}

const (
	law     = "RCW 46.37.660(1)(a)"
	advice  = "IIHS Advisory 29 (September 2003): a salvaged restraint part must match make, model and model year exactly"
	general = "common practice, no source"
)

// fits is a decision with everything that one can have beside missing evidence.
func fits() *fitmentv1.Decision {
	return &fitmentv1.Decision{
		Verdict: fitmentv1.Decision_FITS, Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_YES,
		Findings: []*fitmentv1.Finding{
			finding("number.matches", fitmentv1.Finding_YES, fitmentv1.Finding_FIT, "The number on the label is the catalogue's for this vehicle (wanted: KR100; found: KR100).", advice),
			finding("deployment.marks", fitmentv1.Finding_YES, fitmentv1.Finding_REUSE, "There are no signs of deployment.", general),
			finding("cosmetic.blemishes", fitmentv1.Finding_UNKNOWN, fitmentv1.Finding_ADVICE, "Nothing is known about it.", general),
			finding("fitting.one_use", fitmentv1.Finding_NO, fitmentv1.Finding_ADVICE, "Its maker wants new fasteners.", general),
		},
		ArrivalChecks: []*fitmentv1.ArrivalCheck{
			{Check: "Read the part's own label.", Pass: "Maker and number are those decided on, and the label is the part's own and undamaged.", Source: advice},
			{Check: "Look for signs of deployment, water, heat and damage.", Pass: "There are none."},
		},
		Obligations: []*fitmentv1.Obligation{
			{Jurisdiction: "US-WA", Type: fitmentv1.Obligation_VERIFY, Party: fitmentv1.Obligation_INSTALLER, Text: "After an air bag is replaced, verify that the system's own diagnosis shows it to be working.", Source: law},
			{Jurisdiction: "US-CO", Type: fitmentv1.Obligation_INVOICE, Party: fitmentv1.Obligation_SELLER, Text: "The invoice bears these words.", Words: []string{"salvaged inflatable restraint system", "used"}, Years: 3, Source: general},
			{Jurisdiction: "US", Text: "Keep a record.", Years: 1},
		},
		OneUse: []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 2, Number: "KR-7"}, {Text: "trim clip", Quantity: 1}},
		ReplaceWith: []*fitmentv1.Part_Related{
			{Kind: fitmentv1.Part_CONTROL_MODULE, AfterDeployment: true, Text: "It stores the deployment."},
			{Kind: fitmentv1.Part_CLOCK_SPRING, Number: "KR-9"},
		},
		Basis: &fitmentv1.Basis{
			Rules: "2026-11-25.1", Packs: []string{"US 2026-11-25", "US-WA 2026-11-25"}, VinData: "vPIC of NHTSA, 2026-03-12",
			Codes: "2026-11-25 0a1b2c3d", Facts: "00112233445566778899aabbccddeeff", Day: "2026-06-30",
		},
		Cautions: []string{"The vehicle maker's procedure, local codes and licensed practice come before anything said here.", "This is a flag with its source and no legal advice: check local law."},
	}
}

func proveFirst() *fitmentv1.Decision {
	d := fits()
	d.Verdict, d.Reuse = fitmentv1.Decision_PROVE_FIRST, fitmentv1.Finding_UNKNOWN
	d.Findings[1] = finding("deployment.marks", fitmentv1.Finding_UNKNOWN, fitmentv1.Finding_REUSE, "It is only claimed.", general)
	d.MissingEvidence = []*fitmentv1.MissingEvidence{
		{Attribute: fitmentv1.Evidence_DEPLOYMENT_MARKS, Ask: "Ask the yard for photos of the part from all sides.", Reason: "It would settle deployment.marks. A bad answer alone ends the matter.", Minutes: 5, DecidesAlone: true},
		{Attribute: fitmentv1.Evidence_CRASH_RECORD, Ask: "Ask the yard for the crash record of the donor's module.", Reason: "It would settle deployment.record.", Minutes: 20},
	}
	d.ExpectedMinutes = 12.4
	d.MissingPairs = []*fitmentv1.MissingPair{{First: 0, Second: 1, Minutes: 25, Settles: 0.815, Reason: "Neither settles it alone."}}
	d.MessageToYard = "About your listing SOLANE-1:\n1. Please send photos of the part from all sides.\n2. Please read the crash record out of the donor's module, and send what the tool shows.\n\nThank you."
	return d
}

func against(verdict fitmentv1.Decision_Verdict, fit, reuse fitmentv1.Finding_Answer, f *fitmentv1.Finding) *fitmentv1.Decision {
	d := fits()
	d.Verdict, d.Fit, d.Reuse, d.Obligations, d.OneUse, d.ReplaceWith = verdict, fit, reuse, nil, nil, nil
	d.Findings[0] = f
	return d
}

// TestWhatPeopleRead compares with the files in testdata. BELTWRIGHT_UPDATE=1
// writes them anew: read what has changed before you keep it.
func TestWhatPeopleRead(t *testing.T) {
	t.Parallel()
	barred := against(fitmentv1.Decision_BARRED, fitmentv1.Finding_YES, fitmentv1.Finding_NO,
		finding("recall.open", fitmentv1.Finding_NO, fitmentv1.Finding_REUSE, "A recall notice covers it and nothing shows that it was remedied.", "49 CFR 573.12(a) and (b)"))
	other := against(fitmentv1.Decision_DOES_NOT_FIT, fitmentv1.Finding_NO, fitmentv1.Finding_YES,
		finding("identity.kind", fitmentv1.Finding_NO, fitmentv1.Finding_FIT, "It is another kind of part (wanted: BUCKLE_PRETENSIONER; found: LAP_PRETENSIONER).", general))
	vin := need()
	vin.Vehicle, vin.PartMaker, vin.Jurisdiction = &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042788", Make: "Tarvena", Model: "Solane"}, "", ""
	for file, c := range map[string]struct {
		need     *fitmentv1.Need
		decision *fitmentv1.Decision
	}{
		"fits": {need(), fits()}, "prove-first": {vin, proveFirst()}, "barred": {need(), barred}, "does-not-fit": {need(), other},
		"nothing": {&fitmentv1.Need{}, &fitmentv1.Decision{}},
	} {
		t.Run(file, func(t *testing.T) {
			t.Parallel()
			got, path := plain.Decision(name, c.need, c.decision), filepath.Join("testdata", file+".txt")
			if os.Getenv("BELTWRIGHT_UPDATE") != "" {
				if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// drawn fills every text of a message with words, and every list with a few.
func drawn(t *rapid.T, m protoreflect.Message, depth int) {
	words := rapid.Custom(func(t *rapid.T) string {
		return strings.Join(rapid.SliceOfN(rapid.StringMatching(`[a-zé“●(]{1,12}[.;]?`), 0, 30).Draw(t, "words"), " ")
	})
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		switch {
		case field.Kind() == protoreflect.StringKind && field.IsList():
			for range rapid.IntRange(0, 2).Draw(t, "texts") {
				m.Mutable(field).List().Append(protoreflect.ValueOfString(words.Draw(t, "text")))
			}
		case field.Kind() == protoreflect.StringKind:
			m.Set(field, protoreflect.ValueOfString(words.Draw(t, "text")))
		case field.Kind() == protoreflect.EnumKind:
			values := field.Enum().Values()
			m.Set(field, protoreflect.ValueOfEnum(values.Get(rapid.IntRange(0, values.Len()-1).Draw(t, "enum")).Number()))
		case field.Kind() == protoreflect.MessageKind && field.IsList() && depth > 0:
			for range rapid.IntRange(0, 2).Draw(t, "messages") {
				drawn(t, m.Mutable(field).List().AppendMutable().Message(), depth-1)
			}
		case field.Kind() == protoreflect.MessageKind && !field.IsList() && depth > 0:
			drawn(t, m.Mutable(field).Message(), depth-1)
		}
	}
}

// TestNothingIsLostAndEveryLineFits on random decisions.
func TestNothingIsLostAndEveryLineFits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		d := &fitmentv1.Decision{}
		drawn(rt, d.ProtoReflect(), 1)
		text := plain.Decision(name, need(), d)
		for line := range strings.Lines(text) {
			line = strings.TrimSuffix(line, "\n")
			if utf8.RuneCountInString(line) > 80 || strings.TrimRight(line, " ") != line {
				rt.Errorf("a line of %d characters, or with blanks at its end: %q", utf8.RuneCountInString(line), line)
			}
		}
		flat := strings.Join(strings.Fields(text), " ")
		var said []string
		for _, f := range d.GetFindings() {
			said = append(said, f.GetReason(), f.GetSource())
		}
		for _, m := range d.GetMissingEvidence() {
			said = append(said, m.GetAsk(), m.GetReason())
		}
		for _, p := range d.GetMissingPairs() {
			said = append(said, p.GetReason())
		}
		for _, o := range d.GetObligations() {
			said = append(append(said, o.GetText(), o.GetSource()), o.GetWords()...)
		}
		for _, check := range d.GetArrivalChecks() {
			said = append(said, check.GetCheck(), check.GetPass(), check.GetSource())
		}
		for _, r := range d.GetReplaceWith() {
			said = append(said, r.GetText())
		}
		said = append(append(said, d.GetMessageToYard(), d.GetBasis().GetRules()), d.GetCautions()...)
		for _, one := range said {
			if want := strings.Join(strings.Fields(one), " "); !strings.Contains(flat, want) {
				rt.Errorf("%q is missing in\n%s", want, text)
			}
		}
	})
}

// TestNoVerdictIsReadAsAnother: the first line says the verdict, and no other
// verdict's word stands there.
func TestNoVerdictIsReadAsAnother(t *testing.T) {
	t.Parallel()
	words := map[fitmentv1.Decision_Verdict]string{
		fitmentv1.Decision_VERDICT_UNSPECIFIED: "? NOT DECIDED", fitmentv1.Decision_FITS: "● FITS", fitmentv1.Decision_PROVE_FIRST: "◐ PROVE FIRST",
		fitmentv1.Decision_DOES_NOT_FIT: "○ DOES NOT FIT", fitmentv1.Decision_BARRED: "✕ BARRED", 99: "? NOT DECIDED",
	}
	for verdict, word := range words {
		d := proto.CloneOf(fits())
		d.Verdict = verdict
		first, _, _ := strings.Cut(plain.Decision(name, need(), d), "\n")
		if first != word+"   "+name {
			t.Errorf("%s begins %q", verdict, first)
		}
	}
}

// TestReason: kinds and positions are told in words, and what a label says is left.
func TestReason(t *testing.T) {
	t.Parallel()
	for _, one := range []struct{ rule, reason, want string }{
		{"identity.kind", "It is not what the vehicle wants (wanted: BUCKLE_PRETENSIONER; found: PIGTAIL).", "It is not what the vehicle wants (wanted: buckle pretensioner; found: pigtail)."},
		{"identity.position", "It is only claimed (wanted: 1 RIGHT; found: 2 CENTRE).", "It is only claimed (wanted: row 1 right; found: row 2 centre)."},
		{"identity.drive_side", "It is shown (wanted: LEFT; found: RIGHT).", "It is shown (wanted: left; found: right)."},
		{"identity.kind", "It says 1 PIGTAIL, SRS_X and A.", "It says 1 PIGTAIL, SRS_X and A."},
		{"identity.restraint_text", "Filed: DRIVER_AIR_BAG 1 LEFT.", "Filed: DRIVER_AIR_BAG 1 LEFT."},
		{"number.matches", "Found: LEFT.", "Found: LEFT."},
	} {
		if got := plain.Reason(&fitmentv1.Finding{Rule: one.rule, Reason: one.reason}); got != one.want {
			t.Errorf("%s: %q, wanted %q", one.rule, got, one.want)
		}
	}
}

// TestExcluded: of several rules' reasons each is told as it is told alone.
func TestExcluded(t *testing.T) {
	t.Parallel()
	for reason, want := range map[string]string{
		"is not proven yet: identity, kind: only claimed (wanted: BUCKLE_PRETENSIONER; found: PIGTAIL); identity, restraint_text: Filed: DRIVER_AIR_BAG; identity, position: claimed (wanted: 1 RIGHT; found: nothing)": "is not proven yet: identity, kind: only claimed (wanted: buckle pretensioner; found: pigtail); identity, restraint_text: Filed: DRIVER_AIR_BAG; identity, position: claimed (wanted: row 1 right; found: nothing)",
		"does not fit: identity, drive_side: It is shown (wanted: LEFT; found: RIGHT)": "does not fit: identity, drive_side: It is shown (wanted: left; found: right)",
		"is priced in USD, not in EUR":                    "is priced in USD, not in EUR",
		"is not proven yet: number, matches: Found: LEFT": "is not proven yet: number, matches: Found: LEFT",
		"": "",
	} {
		if got := plain.Excluded(reason); got != want {
			t.Errorf("%s:\n%q, wanted\n%q", reason, got, want)
		}
	}
}
