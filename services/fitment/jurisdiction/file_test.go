package jurisdiction_test

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
)

const (
	head      = `{"jurisdiction":"AQ","place":"Ice","version":"2026-11-25"`
	law       = `"text":"T","source":"S"`
	provided  = head + `,"provisions":[{"id":"AQ.x",` + law + `,`
	obliged   = head + `,"obligations":[{` + law + `,`
	endOfList = `}]}`
)

func TestParseReadsEveryField(t *testing.T) {
	t.Parallel()
	got, err := jurisdiction.Parse([]byte(`{"jurisdiction":"AQ","place":"Ice","version":"2026-11-25","within":"NZ","divided":true,"also":["BV"],
		"provisions":[{"id":"AQ.flood","sale":true,"kinds":["DRIVER_AIR_BAG"],"condition":"evidence","attribute":"FLOOD","value":"no","max_age_days":30,` + law + `}],
		"obligations":[{"type":"KEEP","party":"SELLER","kinds":["DRIVER_AIR_BAG"],"used_only":true,"years":3,` + law + `}],"notes":["N"]}`))
	if err != nil {
		t.Fatal(err)
	}
	want := &jurisdiction.Pack{
		Jurisdiction: "AQ", Place: "Ice", Version: "2026-11-25", Within: "NZ", Divided: true, Also: []string{"BV"},
		Provisions: []jurisdiction.Provision{{
			ID: "AQ.flood", Sale: true, Kinds: []fitmentv1.Part_Kind{bag}, Condition: jurisdiction.Evidence,
			Attribute: fitmentv1.Evidence_FLOOD, Value: "no", MaxAgeDays: 30, Text: "T", Source: "S",
		}},
		Obligations: []jurisdiction.Obligation{{Kinds: []fitmentv1.Part_Kind{bag}, UsedOnly: true, Obligation: &fitmentv1.Obligation{
			Jurisdiction: "AQ", Type: fitmentv1.Obligation_KEEP, Party: fitmentv1.Obligation_SELLER, Text: "T", Years: 3, Source: "S",
		}}},
		Notes: []string{"N"},
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
}

func TestParseRefusesWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	rows := map[string]struct{ file, says string }{
		"nothing":                {``, "EOF"},
		"not JSON":               {`pack`, "invalid"},
		"not UTF-8":              {head + ",\"notes\":[\"\xff\"]}", "UTF-8"},
		"no object":              {`[]`, "cannot unmarshal"},
		"null":                   {`null`, "null"},
		"null field":             {head + `,"within":null}`, "null"},
		"two values":             {head + `}{}`, "after the end"},
		"cut short":              {head, "EOF"},
		"unknown field":          {head + `,"laws":[]}`, `unknown field "laws"`},
		"misspelt safety field":  {provided + `"condition":"forbidden","kind":["PIGTAIL"]` + endOfList, `unknown field "kind"`},
		"other case":             {head + `,"Within":"NZ"}`, `unknown field "Within"`},
		"look-alike letter":      {head + `,"note\u017f":["x"]}`, "unknown field"}, // long s folds to s
		"field twice":            {head + `,"place":"Snow"}`, `field "place" is there twice`},
		"inner field twice":      {provided + `"condition":"forbidden","condition":"evidence"` + endOfList, `"condition" is there twice`},
		"deep":                   {head + `,"notes":` + strings.Repeat("[", 50) + strings.Repeat("]", 50) + `}`, "too deep"},
		"large":                  {head + `}` + strings.Repeat(" ", 300<<10), "at most"},
		"no place":               {`{"place":"Ice","version":"2026-11-25"}`, "jurisdiction"},
		"small letters":          {`{"jurisdiction":"aq","place":"Ice","version":"2026-11-25"}`, "jurisdiction"},
		"line end":               {`{"jurisdiction":"AQ\n","place":"Ice","version":"2026-11-25"}`, "jurisdiction"},
		"no name":                {`{"jurisdiction":"AQ","version":"2026-11-25"}`, "place"},
		"no version":             {`{"jurisdiction":"AQ","place":"Ice"}`, "version"},
		"no such day":            {`{"jurisdiction":"AQ","place":"Ice","version":"2026-02-30"}`, "version"},
		"within no place":        {head + `,"within":"Earth"}`, "within"},
		"within itself":          {head + `,"within":"AQ"}`, "within"},
		"also no place":          {head + `,"also":["Bouvet"]}`, "also[0]"},
		"also itself":            {head + `,"also":["AQ"]}`, "also[0]"},
		"also twice":             {head + `,"also":["BV","BV"]}`, "also[1]"},
		"empty note":             {head + `,"notes":[""]}`, "notes[0]"},
		"note with line end":     {head + `,"notes":["a\nb"]}`, "notes[0]"},
		"long note":              {head + `,"notes":["` + strings.Repeat("x", 2001) + `"]}`, "notes[0]"},
		"many notes":             {head + `,"notes":["n"` + strings.Repeat(`,"n"`, 200) + `]}`, "at most 200"},
		"no id":                  {head + `,"provisions":[{"condition":"forbidden",` + law + endOfList, "provisions[0].id"},
		"another's id":           {head + `,"provisions":[{"id":"NZ.x","condition":"forbidden",` + law + endOfList, "provisions[0].id"},
		"id twice":               {provided + `"condition":"forbidden"},{"id":"AQ.x","condition":"forbidden",` + law + endOfList, "provisions[1].id"},
		"no condition":           {provided + `"sale":true` + endOfList, "provisions[0].condition"},
		"unknown condition":      {provided + `"condition":"allowed"` + endOfList, "provisions[0].condition"},
		"forbidden with value":   {provided + `"condition":"forbidden","value":"yes"` + endOfList, "provisions[0].condition"},
		"recall with attribute":  {provided + `"condition":"never_recalled","attribute":"FLOOD"` + endOfList, "provisions[0].condition"},
		"unknown kind":           {provided + `"condition":"forbidden","kinds":["AIRBAG"]` + endOfList, "provisions[0].kinds[0]"},
		"unspecified kind":       {provided + `"condition":"forbidden","kinds":["KIND_UNSPECIFIED"]` + endOfList, "provisions[0].kinds[0]"},
		"kind twice":             {provided + `"condition":"forbidden","kinds":["PIGTAIL","PIGTAIL"]` + endOfList, "provisions[0].kinds[1]"},
		"no attribute":           {provided + `"condition":"evidence"` + endOfList, "provisions[0].attribute"},
		"unknown attribute":      {provided + `"condition":"evidence","attribute":"WATER"` + endOfList, "provisions[0].attribute"},
		"attribute of no law":    {provided + `"condition":"evidence","attribute":"STAGES"` + endOfList, "provisions[0].attribute"},
		"value of text":          {provided + `"condition":"evidence","attribute":"DONOR_VIN","value":"yes"` + endOfList, "provisions[0].value"},
		"value neither":          {provided + `"condition":"evidence","attribute":"FLOOD","value":"maybe"` + endOfList, "provisions[0].value"},
		"negative age":           {provided + `"condition":"evidence","attribute":"FLOOD","value":"no","max_age_days":-1` + endOfList, "provisions[0].max_age_days"},
		"age over range":         {provided + `"condition":"evidence","attribute":"FLOOD","value":"no","max_age_days":99999` + endOfList, "provisions[0].max_age_days"},
		"age no number":          {provided + `"condition":"evidence","attribute":"FLOOD","value":"no","max_age_days":1e99` + endOfList, "max_age_days"},
		"age without value":      {provided + `"condition":"evidence","attribute":"FLOOD","max_age_days":1` + endOfList, "provisions[0].max_age_days"},
		"no text":                {head + `,"provisions":[{"id":"AQ.x","condition":"forbidden","source":"S"}]}`, "provisions[0].text"},
		"no source":              {head + `,"provisions":[{"id":"AQ.x","condition":"forbidden","text":"T"}]}`, "provisions[0].source"},
		"no type":                {obliged + `"years":1` + endOfList, "obligations[0].type"},
		"unknown party":          {obliged + `"type":"KEEP","party":"BUYER"` + endOfList, "obligations[0].party"},
		"unspecified party":      {obliged + `"type":"KEEP","party":"PARTY_UNSPECIFIED"` + endOfList, "obligations[0].party"},
		"years over range":       {obliged + `"type":"KEEP","years":101` + endOfList, "obligations[0].years"},
		"years of no record":     {obliged + `"type":"QUERY","years":1` + endOfList, "obligations[0].years"},
		"words of no text":       {obliged + `"type":"QUERY","words":["w"]` + endOfList, "obligations[0].words"},
		"no forbidden words":     {obliged + `"type":"FORBIDDEN_WORDS"` + endOfList, "obligations[0].words"},
		"empty word":             {obliged + `"type":"INVOICE","words":[" "]` + endOfList, "obligations[0].words[0]"},
		"obligation, no source":  {head + `,"obligations":[{"type":"KEEP","text":"T"}]}`, "obligations[0].source"},
		"obligation, other text": {head + `,"obligations":[{"type":"KEEP","text":" T","source":"S"}]}`, "obligations[0].text"},
	}
	for name, row := range rows {
		if _, err := jurisdiction.Parse([]byte(row.file)); err == nil || !strings.Contains(err.Error(), row.says) {
			t.Errorf("%s: %v, want %q", name, err, row.says)
		}
	}
	if _, err := jurisdiction.Parse([]byte(head + `}`)); err != nil {
		t.Errorf("the frame of these cases is refused: %v", err)
	}
}

func TestAttributesAreTheCallersOwn(t *testing.T) {
	t.Parallel()
	jurisdiction.Attributes()[0] = 0
	if jurisdiction.Attributes()[0] == 0 {
		t.Error("a caller can change the list")
	}
}

// packs draws sound packs.
var packs = rapid.Custom(func(t *rapid.T) *jurisdiction.Pack {
	text := rapid.StringMatching(`[A-Za-z<&>§é"\\]([ -~]{0,20}[A-Za-z.])?`)
	p := &jurisdiction.Pack{
		Jurisdiction: rapid.StringMatching(`[A-M]{2}(-[A-Z0-9]{1,3})?`).Draw(t, "place"), Place: text.Draw(t, "name"),
		Version: rapid.SampledFrom([]string{"2026-11-25", "0001-01-01", "9999-12-31"}).Draw(t, "version"),
		Within:  rapid.SampledFrom([]string{"", "ZZ", "ZZ-1"}).Draw(t, "within"), Divided: rapid.Bool().Draw(t, "divided"),
		Also:  rapid.SliceOfNDistinct(rapid.StringMatching(`[N-Z]{2}`), -1, 3, rapid.ID).Draw(t, "also"),
		Notes: rapid.SliceOfN(text, 0, 2).Draw(t, "notes"),
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "provisions") {
		v := jurisdiction.Provision{
			ID: p.Jurisdiction + "." + string(rune('a'+i)), Sale: rapid.Bool().Draw(t, "sale"), Text: text.Draw(t, "text"), Source: text.Draw(t, "source"),
			Kinds:     kinds.Draw(t, "kinds"),
			Condition: rapid.SampledFrom([]jurisdiction.Condition{jurisdiction.Forbidden, jurisdiction.NeverRecalled, jurisdiction.Evidence}).Draw(t, "condition"),
		}
		if v.Condition == jurisdiction.Evidence {
			v.Attribute = rapid.SampledFrom(jurisdiction.Attributes()).Draw(t, "attribute")
			if v.Attribute == fitmentv1.Evidence_FLOOD || v.Attribute == fitmentv1.Evidence_THEFT_QUERY_CLEAR {
				v.Value, v.MaxAgeDays = rapid.SampledFrom([]string{"yes", "no"}).Draw(t, "value"), rapid.IntRange(0, 36600).Draw(t, "age")
			}
		}
		p.Provisions = append(p.Provisions, v)
	}
	for range rapid.IntRange(0, 2).Draw(t, "obligations") {
		p.Obligations = append(p.Obligations, jurisdiction.Obligation{Kinds: kinds.Draw(t, "kinds"), UsedOnly: rapid.Bool().Draw(t, "used only"), Obligation: &fitmentv1.Obligation{
			Jurisdiction: p.Jurisdiction, Type: fitmentv1.Obligation_INVOICE, Party: fitmentv1.Obligation_Party(rapid.Int32Range(0, 2).Draw(t, "party")),
			Text: text.Draw(t, "text"), Source: text.Draw(t, "source"), Words: rapid.SliceOfN(text, 0, 2).Draw(t, "words"),
		}})
	}
	return p
})

// kinds draws kinds of part.
var kinds = rapid.SliceOfNDistinct(rapid.Map(rapid.Int32Range(1, 13), func(k int32) fitmentv1.Part_Kind { return fitmentv1.Part_Kind(k) }), -1, 3, rapid.ID)

func TestPacksReadAsWritten(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := packs.Draw(t, "pack")
		got, err := jurisdiction.Parse(want.Bytes())
		if err != nil {
			t.Fatalf("%v in\n%s", err, want.Bytes())
		}
		// A list of none and no list at all are written alike.
		if diff := cmp.Diff(want, got, protocmp.Transform(), cmp.Comparer(func(a, b []string) bool {
			return strings.Join(a, "\x00") == strings.Join(b, "\x00")
		}), cmp.Comparer(func(a, b []fitmentv1.Part_Kind) bool {
			return len(a) == len(b) && cmp.Equal(append([]fitmentv1.Part_Kind{0}, a...), append([]fitmentv1.Part_Kind{0}, b...), cmp.Comparer(func(a, b fitmentv1.Part_Kind) bool { return a == b }))
		})); diff != "" {
			t.Fatal(diff)
		}
	})
}

// Whatever is read is sound: it stands in a set, is shown and weighed, and is
// written so that it reads the same again.
func FuzzParse(f *testing.F) {
	f.Add([]byte(provided + `"condition":"forbidden"` + endOfList))
	f.Add([]byte(obliged + `"type":"FORBIDDEN_WORDS","words":["w"]` + endOfList))
	f.Fuzz(func(t *testing.T, file []byte) {
		pack, err := jurisdiction.Parse(file)
		if err != nil {
			if pack != nil || err.Error() == "" {
				t.Fatalf("a pack beside the error %v", err)
			}
			return
		}
		written := pack.Bytes()
		again, err := jurisdiction.Parse(written)
		if err != nil || !bytes.Equal(again.Bytes(), written) {
			t.Fatalf("%q is written as %q, which reads as %v, %v", file, written, again, err)
		}
		if set, err := jurisdiction.Builtin().With(pack); err == nil {
			weighed := set.For(pack.Jurisdiction, pack.Jurisdiction)
			if weighed.Known == pack.Divided || !strings.Contains(places(weighed.Packs), pack.Jurisdiction) {
				t.Fatalf("%s weighs %s, known %t", pack.Jurisdiction, places(weighed.Packs), weighed.Known)
			}
		} else if pack.Within == "" {
			t.Fatalf("a sound pack is refused: %v", err)
		}
		if jurisdiction.Proto(pack).GetJurisdiction() != pack.Jurisdiction {
			t.Fatal("shown with another place")
		}
	})
}
