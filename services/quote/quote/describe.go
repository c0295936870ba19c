package quote

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// conditionNames are what a condition may be called, the first being the usual
// word (16 CFR 20.1 and 20.3); the others are for where the law forbids that.
var conditionNames = map[quotev1.Offer_Condition][]string{ //nolint:gochecknoglobals // a table that nothing changes
	quotev1.Offer_USED:           {"used", "previously installed", "recovered from another vehicle"},
	quotev1.Offer_REMANUFACTURED: {"remanufactured", "rebuilt", "factory rebuilt"},
	quotev1.Offer_NEW:            {"new", "never installed"},
}

// ConditionWords is a condition in the words that the law of the places wants:
// those that must stand on the invoice where a used part's obligations name some,
// else the usual word, unless they forbid it.
func ConditionWords(condition quotev1.Offer_Condition, obligations []*fitmentv1.Obligation) string {
	var wanted, forbidden []string
	for _, obligation := range obligations {
		switch obligation.GetType() {
		case fitmentv1.Obligation_INVOICE:
			wanted = append(wanted, obligation.GetWords()...)
		case fitmentv1.Obligation_FORBIDDEN_WORDS:
			forbidden = append(forbidden, obligation.GetWords()...)
		default:
		}
	}
	if len(wanted) > 0 && condition == quotev1.Offer_USED {
		slices.Sort(wanted)
		return strings.Join(slices.Compact(wanted), "; ")
	}
	names := conditionNames[condition]
	for _, name := range names {
		if !Says(name, forbidden) {
			return name
		}
	}
	return ""
}

// Says tells whether a text contains one of these words, in whatever case and over
// whatever stands between them, as words of its own.
func Says(text string, words []string) bool {
	said := spoken(text)
	return slices.ContainsFunc(words, func(word string) bool {
		spelt := spoken(word)
		return strings.TrimSpace(spelt) != "" && strings.Contains(said, spelt)
	})
}

// spoken is a text as its words alone, in small letters, each between spaces.
func spoken(text string) string {
	return " " + strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r)
	}), " ") + " "
}

// Forbids is the law by which a charge may not only be called so on the papers of
// these options, such as "shop supplies" by 16 CCR 3356; nil where none is known. What
// is forbidden to a seller is about his own part.
func Forbids(options []*quotev1.Option, label string) *fitmentv1.Obligation {
	for _, option := range options {
		for _, o := range option.GetObligations() {
			if o.GetType() == fitmentv1.Obligation_FORBIDDEN_WORDS && o.GetParty() != fitmentv1.Obligation_SELLER && Says(label, o.GetWords()) {
				return o
			}
		}
	}
	return nil
}

// partWords is what an option is called: "used part", or the law's own words.
func partWords(option *quotev1.Option) string {
	if slices.Contains(conditionNames[option.GetCondition()], option.GetConditionWords()) {
		return option.GetConditionWords() + " part"
	}
	return option.GetConditionWords()
}

// describeListing writes what the decision says beside its verdict into an option.
func describeListing(option *quotev1.Option, decision *fitmentv1.Decision) {
	option.Obligations = decision.GetObligations()
	option.ArrivalChecks = decision.GetArrivalChecks()
	option.OneUse = OneUseWords(decision.GetOneUse())
	option.ReplaceWith = RelatedWords(decision.GetReplaceWith())
	option.ConditionWords = ConditionWords(option.GetCondition(), option.GetObligations())
}

// describeOffer writes what the catalogue says of the part into an option, and what
// the law asks of fitting it. The fitment side decides no supplier's part, so its
// checks are the ones due for every part.
func describeOffer(option *quotev1.Option, match *fitmentv1.PartMatch) {
	part := match.GetPart()
	const source = "common practice, no source"
	option.ArrivalChecks = []*fitmentv1.ArrivalCheck{
		{
			Check: "Read the number on the part's own label.", Source: source,
			Pass: "it is " + part.GetNumber() + " of " + part.GetMaker() + ", and no label was changed or covered.",
		},
		{
			Check: "Compare connector, locks and mounting points with the part that is replaced; look for damage, dirt and water.", Source: source,
			Pass: "they are the same, and nothing is damaged, dirty, wet or missing.",
		},
		{
			Check: "Look at packaging and seals.", Source: source,
			Pass: "the seal is whole, and the label says what was ordered.",
		},
	}
	option.OneUse = OneUseWords(part.GetOneUse())
	option.ReplaceWith = RelatedWords(part.GetReplaceWith())
	option.Obligations = match.GetObligations()
	option.ConditionWords = ConditionWords(option.GetCondition(), option.GetObligations())
}

// OneUseWords names fasteners and the like that must be new, as people read them.
func OneUseWords(items []*fitmentv1.Part_OneUse) []string {
	all := make([]string, 0, len(items))
	for _, item := range items {
		text := item.GetText()
		if item.GetQuantity() > 0 {
			text = fmt.Sprintf("%d × %s", item.GetQuantity(), text)
		}
		if item.GetNumber() != "" {
			text += " (" + item.GetNumber() + ")"
		}
		all = append(all, text)
	}
	return all
}

// RelatedWords names what the maker wants replaced together with a part.
func RelatedWords(items []*fitmentv1.Part_Related) []string {
	all := make([]string, 0, len(items))
	for _, item := range items {
		text := kindWords(item.GetKind())
		if item.GetNumber() != "" {
			text += " " + item.GetNumber()
		}
		if item.GetAfterDeployment() {
			text += ", after a deployment"
		}
		if item.GetText() != "" {
			text += ": " + item.GetText()
		}
		all = append(all, text)
	}
	return all
}
