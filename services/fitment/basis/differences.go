package basis

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
)

// mostNamed is how many records a sentence names.
const mostNamed = 5

// Versions says, a sentence each, which versions two decisions of the same facts
// stand on that are not the same. Where everything is the same version and the
// decisions are not, it says so: then one of them was changed, or the program does
// not keep its promise.
func Versions(kept, again *fitmentv1.Decision) []string {
	var list []string
	was, is := kept.GetBasis(), again.GetBasis()
	for _, one := range []struct{ what, was, is string }{
		{"rules", was.GetRules(), is.GetRules()},
		{"law packs", strings.Join(was.GetPacks(), ", "), strings.Join(is.GetPacks(), ", ")},
		{"VIN data", was.GetVinData(), is.GetVinData()},
		{"code tables", was.GetCodes(), is.GetCodes()},
		{"day", was.GetDay(), is.GetDay()},
	} {
		if one.was != one.is {
			list = append(list, fmt.Sprintf("Of another version: the %s, %s then and %s now.", one.what, orNothing(one.was), orNothing(one.is)))
		}
	}
	// The digests themselves are told to nobody who may not see the whole listing.
	if was.GetFacts() != is.GetFacts() {
		list = append(list, "Of another version: the digest of the facts.")
	}
	if len(list) == 0 && !proto.Equal(kept, again) {
		list = append(list, "The decision kept is not the one that the same versions give: the record or the program is not as it was.")
	}
	return list
}

func orNothing(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

// Case is a decision with what it is about and stands on.
type Case struct {
	// Listing is the listing as it was.
	Listing *fitmentv1.Listing
	// Facts are the rest.
	Facts *fitmentv1.Facts
	// Decision is what came out.
	Decision *fitmentv1.Decision
}

// Since says, a sentence each, what has changed between two cases of one need and
// listing, and what that did to the answers.
func Since(then, now Case) []string {
	var list []string
	if !proto.Equal(listing.Judged(then.Listing), listing.Judged(now.Listing)) {
		list = append(list, "The yard has changed the listing since.")
	}
	if was, is := then.Listing.GetState(), now.Listing.GetState(); is != was {
		switch is {
		case fitmentv1.Listing_SOLD, fitmentv1.Listing_WITHDRAWN:
			list = append(list, fmt.Sprintf("The listing has been %s since.", word(is)))
		case fitmentv1.Listing_RETURNING:
			list = append(list, "The part is on its way back to its yard.")
		default:
		}
	}
	for _, part := range []struct {
		what     string
		was, now map[string]string
	}{
		{"Catalogue parts", named(then.Facts.GetParts()), named(now.Facts.GetParts())},
		{"Supersessions", named(then.Facts.GetSupersessions()), named(now.Facts.GetSupersessions())},
		{"Recall notices and coverage statements", named(then.Facts.GetRecalls()), named(now.Facts.GetRecalls())},
		{"Vehicle data", named(then.Facts.GetVehicleData()), named(now.Facts.GetVehicleData())},
	} {
		list = append(list, changes(part.what, part.was, part.now)...)
	}
	if was, is := then.Facts.GetRecallMaxAgeDays(), now.Facts.GetRecallMaxAgeDays(); was != is {
		list = append(list, fmt.Sprintf("Recall knowledge counted for %d days then and counts for %d now.", was, is))
	}
	if !slices.EqualFunc(then.Facts.GetPacks(), now.Facts.GetPacks(), slices.Equal) {
		list = append(list, "The law on record for the places has changed since.")
	}
	return append(list, answers(then.Decision, now.Decision)...)
}

// record is one of the catalogue's.
type record interface {
	proto.Message
	GetName() string
}

// named lists what records say by their names; several of one name count together.
func named[R record](records []R) map[string]string {
	list := make(map[string]string, len(records))
	for _, r := range records {
		raw, err := encoding.Marshal(r)
		if err != nil { // only for invalid UTF-8, which no stored record has
			raw = []byte(err.Error())
		}
		list[r.GetName()] += string(raw) + "\x00"
	}
	return list
}

// changes says which records are new, changed and gone.
func changes(what string, was, now map[string]string) []string {
	var fresh, changed, gone []string
	for name, text := range now {
		if before, known := was[name]; !known {
			fresh = append(fresh, name)
		} else if before != text {
			changed = append(changed, name)
		}
	}
	for name := range was {
		if _, known := now[name]; !known {
			gone = append(gone, name)
		}
	}
	var list []string
	for _, one := range []struct {
		how   string
		names []string
	}{{"that count now and did not then", fresh}, {"that have changed since", changed}, {"that counted then and do not now", gone}} {
		if len(one.names) > 0 {
			list = append(list, fmt.Sprintf("%s %s: %s.", what, one.how, some(one.names)))
		}
	}
	return list
}

// some names a few, in order, and how many more there are.
func some(names []string) string {
	slices.Sort(names)
	if more := len(names) - mostNamed; more > 0 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:mostNamed], ", "), more)
	}
	return strings.Join(names, ", ")
}

// answers says what became of the verdict and of each rule's answer.
func answers(then, now *fitmentv1.Decision) []string {
	var list []string
	if then.GetVerdict() != now.GetVerdict() {
		list = append(list, fmt.Sprintf("The verdict was %s then and is %s now.", word(then.GetVerdict()), word(now.GetVerdict())))
	}
	was := make(map[string]*fitmentv1.Finding, len(then.GetFindings()))
	for _, f := range then.GetFindings() {
		was[f.GetRule()] = f
	}
	for _, f := range now.GetFindings() {
		before := was[f.GetRule()]
		delete(was, f.GetRule())
		switch {
		case before == nil:
			list = append(list, fmt.Sprintf("The rule %s did not exist then; it answers %s: %s", f.GetRule(), word(f.GetAnswer()), f.GetReason()))
		case before.GetAnswer() != f.GetAnswer():
			list = append(list, fmt.Sprintf("The rule %s answered %s then and answers %s now: %s", f.GetRule(), word(before.GetAnswer()), word(f.GetAnswer()), f.GetReason()))
		}
	}
	for _, f := range then.GetFindings() {
		if was[f.GetRule()] != nil {
			list = append(list, fmt.Sprintf("The rule %s exists no more; it answered %s.", f.GetRule(), word(f.GetAnswer())))
		}
	}
	return list
}

// word makes an enum value readable.
func word(value fmt.Stringer) string {
	return strings.ToLower(strings.ReplaceAll(value.String(), "_", " "))
}
