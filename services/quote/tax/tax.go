// Package tax holds the rules of places for the sales tax on a repair quote, as
// data: which lines are taxed, whether the tax on a core deposit comes back with
// the old part, whether supplies may be a percentage. Rates are no part of it:
// they are local, and whoever asks for a quote states theirs.
//
// A rule that a pack marks as unstated is one that its sources do not settle. The
// program then does what Default does, and says so.
package tax

import (
	"fmt"
	"slices"

	"beltwright.example/services/platform/prose"
)

// Line is a kind of charge.
type Line string

// The kinds of charge.
const (
	Part        Line = "part"
	Core        Line = "core"
	Freight     Line = "freight"
	Handling    Line = "handling"
	CheckLabour Line = "check_labour"
	FitLabour   Line = "fit_labour"
	Supplies    Line = "supplies"
)

// Lines are all kinds of charge in the order that quotes list them.
func Lines() []Line {
	return []Line{Part, Core, Freight, Handling, CheckLabour, FitLabour, Supplies}
}

// Words is what people call the line.
func (l Line) Words() string {
	switch l {
	case Core:
		return "the core deposit"
	case Handling:
		return "handling of dangerous goods"
	case CheckLabour:
		return "labour of the arrival check"
	case FitLabour:
		return "labour of fitting"
	case Part:
		return "the part"
	default:
		return string(l)
	}
}

// Condition is what a part is sold as.
type Condition string

// The conditions; a part that is remanufactured, rebuilt or repaired counts as
// Reconditioned.
const (
	Used          Condition = "used"
	Reconditioned Condition = "reconditioned"
	New           Condition = "new"
)

// Conditions are all of them.
func Conditions() []Condition { return []Condition{Used, Reconditioned, New} }

// Answer is what a rule says.
type Answer string

// The answers. The empty text counts as Unstated.
const (
	Unstated Answer = "unstated"
	No       Answer = "no"
	Yes      Answer = "yes"
)

// Rule is one answer of a place's law and where it is published; Text and Source
// are empty where the answer is Unstated.
type Rule struct {
	Answer Answer
	Text   string
	Source string
}

// Boundary is where tax is rounded.
type Boundary string

// The boundaries. The empty text counts as ByInvoice.
const (
	// ByInvoice rounds once, on the sum of all that is taxed.
	ByInvoice Boundary = "invoice"
	// ByLine rounds on every line.
	ByLine Boundary = "line"
)

// Pack is the law of one place. It is read only. The zero Pack is Default("").
type Pack struct {
	// Place is its code by ISO 3166, such as "US-CA"; empty for no place.
	Place string
	// Name is what people call the place.
	Name string
	// Version is the day on which the pack was last looked through, YYYY-MM-DD.
	Version string
	// Taxed says which lines are taxed.
	Taxed map[Line]Rule
	// CoreTaxReturned says whether the tax on the core deposit comes back with
	// the old part, by the condition of the part that was bought.
	CoreTaxReturned map[Condition]Rule
	// PercentageSupplies says whether supplies may be charged as a percentage of
	// the labour rather than named one by one.
	PercentageSupplies Rule
	// Itemised says whether the quote must price every part and work by itself.
	Itemised Rule
	// Rounding is where tax is rounded, with its text and source; both are empty
	// where the law's sources do not settle it.
	Rounding RoundingRule
	// Notes are sentences to show with a quote.
	Notes []string
}

// RoundingRule is a boundary and where it is published.
type RoundingRule struct {
	Boundary     Boundary
	Text, Source string
}

// Taxes tells whether a line is taxed. Where that is unstated, the part and its
// core deposit are, and nothing else is.
func (p Pack) Taxes(line Line) bool {
	switch p.Taxed[line].Answer {
	case Yes:
		return true
	case No:
		return false
	default:
		return line == Part || line == Core
	}
}

// ReturnsCoreTax tells whether the tax on the core deposit comes back with the
// old part; not where that is unstated.
func (p Pack) ReturnsCoreTax(condition Condition) bool {
	return p.CoreTaxReturned[condition].Answer == Yes
}

// AllowsPercentage tells whether supplies may be a percentage of the labour: only
// where the pack says so.
func (p Pack) AllowsPercentage() bool { return p.PercentageSupplies.Answer == Yes }

// NoPercentage says why supplies may not be a percentage of the labour; empty where
// they may.
func (p Pack) NoPercentage() string {
	const unknown = "whether supplies may be a percentage of the labour is not known"
	switch {
	case p.AllowsPercentage():
		return ""
	case p.PercentageSupplies.Answer == No:
		return fmt.Sprintf("%s does not allow a percentage of the labour (%s)", p.Name, p.PercentageSupplies.Source)
	case p.Place == "":
		return "no place is stated, so " + unknown
	case p.Name == "":
		return "the rules of " + p.Place + " are not kept here, so " + unknown
	default:
		return "the sources kept here for " + p.Name + " do not settle it, so " + unknown
	}
}

// RoundsByLine tells whether tax is rounded on every line rather than once.
func (p Pack) RoundsByLine() bool { return p.Rounding.Boundary == ByLine }

// Default is the pack of a place that nothing is known of: the stated rate on
// part and core deposit, which does not come back with the core; supplies named
// one by one; rounded once.
func Default(place string) Pack { return Pack{Place: place} }

// byDefault is what Default does.
const byDefault = ", so the stated rate is taken of part and core deposit only and rounded once, the tax on the deposit is not counted as coming back, and supplies must be named rather than a percentage of the labour."

// Sentences say what the pack did not settle and what the program does then,
// and repeat its notes.
func (p Pack) Sentences() []string {
	where := p.Name
	switch {
	case p.Place == "":
		return []string{"Tax: no place is stated" + byDefault}
	case p.Name == "":
		return []string{"Tax: the rules of " + p.Place + " are not kept here" + byDefault}
	}
	var all, open []string
	for _, line := range Lines() {
		if stated(p.Taxed[line]) {
			continue
		}
		open = append(open, line.Words())
	}
	if len(open) > 0 {
		all = append(all, fmt.Sprintf("Tax: whether %s taxes %s is not settled by the sources kept here; only part and core deposit are taxed unless a source says otherwise.",
			where, prose.List(open)))
	}
	if slices.ContainsFunc(Conditions(), func(c Condition) bool { return !stated(p.CoreTaxReturned[c]) }) {
		all = append(all, fmt.Sprintf("Tax: whether %s gives the tax on a core deposit back is not settled by the sources kept here for every condition; where it is not, it is not counted.", where))
	}
	if !stated(p.PercentageSupplies) {
		all = append(all, fmt.Sprintf("Tax: whether %s allows supplies as a percentage of the labour is not settled by the sources kept here, so they must be named.", where))
	}
	if p.Rounding.Boundary == "" {
		all = append(all, fmt.Sprintf("Tax: where %s rounds tax is not settled by the sources kept here; it is rounded once, on the sum of what is taxed.", where))
	}
	return append(all, p.Notes...)
}

// Statement is a sentence and where it is published.
type Statement struct {
	Text, Source string
}

// Statements list what the pack says, and then, in Sentences, what its sources do
// not settle; those have no source.
func (p Pack) Statements() []Statement {
	var all []Statement
	add := func(text, source string) {
		if text != "" && !slices.Contains(all, Statement{text, source}) {
			all = append(all, Statement{text, source})
		}
	}
	for _, line := range Lines() {
		add(p.Taxed[line].Text, p.Taxed[line].Source)
	}
	for _, condition := range Conditions() {
		add(p.CoreTaxReturned[condition].Text, p.CoreTaxReturned[condition].Source)
	}
	add(p.PercentageSupplies.Text, p.PercentageSupplies.Source)
	add(p.Itemised.Text, p.Itemised.Source)
	add(p.Rounding.Text, p.Rounding.Source)
	for _, sentence := range p.Sentences() {
		add(sentence, "")
	}
	return all
}

func stated(r Rule) bool { return r.Answer == Yes || r.Answer == No }
