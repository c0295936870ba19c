// Package rules decides whether a listed part fits a need and may be used again.
// Its rules are pure functions in one table; every one says where it is from and
// can answer yes, no and unknown.
//
// What proves a fact:
//
//   - A statement that is only claimed never makes a yes; it can make a no. So
//     does everything that the listing's plain fields say.
//   - Statements about one attribute that disagree make the answer unknown.
//   - A part number that is shown or confirmed and that the catalogue knows
//     stands for what the catalogue says of that part (kind, positions,
//     connector, stages, resistance window), since the maker's number identifies
//     the design. A statement that contradicts it makes the answer unknown.
//   - A number that several makers are known to use is proven only together with
//     its maker, and stands for nothing where no maker is stated. Where statements
//     about the maker contradict each other, no number stands for anything.
//   - A loop reading counts once, and only where what it names of kind, position
//     and stage is the part's.
//   - A part that bears the very number of the part it replaces is of the same
//     design, whatever the catalogue knows of it.
//   - What was looked at in the vehicle (connector and stages of the need) goes
//     before what the catalogue says the vehicle has.
//   - What the law of seller's and installer's places demands is weighed as the
//     jurisdiction packs say; where a place is not known, the law of all counts.
//
// How the part has been used (deployment, history, recall, provenance) never
// follows from its number.
package rules

import (
	"slices"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/restraint"
)

// Policy holds what a business may set.
type Policy struct {
	// RecallMaxAgeDays is the greatest age of a recall coverage statement or a
	// query by VIN that still counts, in days.
	RecallMaxAgeDays int
	// Asks says how evidence is got, at what cost and with what chance; empty
	// means DefaultAsks.
	Asks []Ask
	// Packs are the law of places; nil means jurisdiction.Builtin.
	Packs *jurisdiction.Set
	// Tables say what trouble codes mean; nil means code.Builtin.
	Tables *code.Tables
}

// packs are the law of places that holds.
func (p Policy) packs() *jurisdiction.Set {
	if p.Packs == nil {
		return jurisdiction.Builtin()
	}
	return p.Packs
}

// tables are the code tables that hold.
func (p Policy) tables() *code.Tables {
	if p.Tables == nil {
		return code.Builtin()
	}
	return p.Tables
}

// DefaultPolicy is what holds where nothing is set: recall knowledge of the last
// 30 days (a choice of this project, no source).
func DefaultPolicy() Policy { return Policy{RecallMaxAgeDays: 30} }

// Attribute is what a piece of evidence is about.
type Attribute = fitmentv1.Evidence_Attribute

// Rule is one rule of the registry.
type Rule struct {
	// ID is "family.rule".
	ID string
	// Family groups rules.
	Family string
	// Source is where the rule is published, or "common practice, no source".
	Source string
	// Severity says which answer the rule counts towards.
	Severity fitmentv1.Finding_Severity
	// Reads lists the attributes of the listing that the rule depends on, the one
	// to ask for first in front. What it reads of the need and the catalogue is
	// not listed.
	Reads []Attribute
	// Check answers.
	Check func(*Case) Result
	// Parts splits what the rule asks into conditions that must all hold, each with
	// the attributes that it depends on; nil where the rule is one condition. The
	// rule says yes exactly where all parts do.
	Parts func(*Case) []Part
}

// Part is one of several conditions of a rule.
type Part struct {
	// Reads lists the attributes of the listing that it depends on.
	Reads []Attribute
	// Check answers.
	Check func(*Case) Result
}

// Result is a rule's answer with its reason. It holds no built text, so that
// answers without an explanation cost nothing.
type Result struct {
	// Answer is Yes, No or Unknown.
	Answer evidence.Answer
	// Why is the reason, a clause without full stop.
	Why string
	// Want and Have are the values compared, where two were.
	Want, Have string
	// Vehicle is set where the answer waits for something about the vehicle and
	// not for evidence about the part: what to find out.
	Vehicle string
	// About is the attribute that the answer turns on, where it is not the first
	// that the rule reads.
	About Attribute
	// Law is the provision that the answer turns on, where it is one.
	Law *jurisdiction.Provision
}

func yes(why string) Result     { return Result{Answer: evidence.Yes, Why: why} }
func no(why string) Result      { return Result{Answer: evidence.No, Why: why} }
func unknown(why string) Result { return Result{Answer: evidence.Unknown, Why: why} }

// comparing adds the values compared.
func (r Result) comparing(want, have string) Result {
	r.Want, r.Have = want, have
	return r
}

// about says which attribute the answer turns on.
func (r Result) about(attribute Attribute) Result {
	r.About = attribute
	return r
}

// ask is an unknown that waits for something about the vehicle.
func ask(about string) Result {
	return Result{Answer: evidence.Unknown, Why: "it depends on the vehicle, of which this is not known", Vehicle: about}
}

// Question is a need with everything about it that does not depend on the
// listing worked out once: what searches use to decide many listings. It is not
// changed by answering, so it may be used concurrently while the catalogue is
// not being changed.
type Question struct {
	need     *fitmentv1.Need
	cat      *catalogue.Catalogue
	policy   Policy
	today    time.Time
	day      string // today as text
	position *fitmentv1.Position
	rights   []rightPart
	// replaced is the key of the number on the part to be replaced, and
	// replacedMaker its folded maker, where they are known.
	replaced, replacedMaker string
	want                    wanted
	// cut says why there may be right parts that are not among rights.
	cut string
	// forbidden is how many of the right parts the vehicle's maker rules out from
	// another vehicle.
	forbidden int
	// restraints is what is filed about the vehicle's restraints, silent where it
	// says nothing.
	restraints restraint.Statement
	silent     bool
	// table is the rules asked, the registry but for a test's.
	table []Rule
	memo  *memo
}

// rightPart is a catalogue match with its comparable maker and number.
type rightPart struct {
	catalogue.Match

	maker, number string
}

// wanted is what the vehicle wants of a part, empty where not known.
type wanted struct {
	kind, position, driveSide            string
	interfaces, keying, cavities, stages want
}

// want is a value that the vehicle wants: seen in the vehicle, and where it was
// not, what all right parts of the catalogue have in common.
type want struct{ seen, common string }

// For prepares a need against a catalogue as it is now.
func For(need *fitmentv1.Need, cat *catalogue.Catalogue, policy Policy, today time.Time) *Question {
	q := &Question{
		need: need, cat: cat, policy: policy, today: today, day: today.Format(time.DateOnly),
		position: names.NeedPosition(need), table: registry[:], memo: newMemo(),
	}
	found := cat.Rights(need)
	q.cut = found.Cut
	for _, m := range found.Matches {
		number, err := names.NumberKey(m.Part.GetNumber())
		if err != nil {
			continue
		}
		q.rights = append(q.rights, rightPart{Match: m, maker: names.Fold(m.Part.GetMaker()), number: number})
		if m.Part.GetDonorPolicy() == fitmentv1.Part_FORBIDDEN {
			q.forbidden++
		}
	}
	q.restraints = restraint.Parse(filedRestraints(need.GetVehicle(), need.GetVehicle().GetVin()))
	q.silent = q.restraints.Silent()
	if number, err := names.NumberKey(need.GetPartNumber()); err == nil {
		q.replaced = number
	}
	q.replacedMaker = names.Fold(need.GetPartMaker())
	q.want = q.wants()
	return q
}

// wants works out what the vehicle wants.
func (q *Question) wants() wanted {
	w := wanted{
		interfaces: want{names.Fold(q.need.GetConnector().GetInterface()), q.common(interfaceOf)},
		keying:     want{names.Fold(q.need.GetConnector().GetKeying()), q.common(keyingOf)},
		cavities:   want{count(q.need.GetConnector().GetCavities()), q.common(cavitiesOf)},
		stages:     want{count(q.need.GetStages()), q.common(stagesOf)},
	}
	if q.need.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
		w.kind = q.need.GetKind().String()
	}
	if q.position.GetRow() != 0 && q.position.GetSide() != 0 {
		w.position = names.PositionText(q.position)
	}
	if side := q.need.GetVehicle().GetDriveSide(); side != fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED {
		w.driveSide = side.String()
	}
	return w
}

// common is the value that all right parts have, empty where one has none or
// another.
func (q *Question) common(of func(*fitmentv1.Part) string) string {
	value := ""
	for i, m := range q.rights {
		one := of(m.Part)
		if one == "" || (i > 0 && one != value) {
			return ""
		}
		value = one
	}
	return value
}

// Verdict puts the two answers into one word; barred goes first.
func Verdict(fit, reuse evidence.Answer) fitmentv1.Decision_Verdict {
	switch {
	case reuse == evidence.No:
		return fitmentv1.Decision_BARRED
	case fit == evidence.No:
		return fitmentv1.Decision_DOES_NOT_FIT
	case fit == evidence.Yes && reuse == evidence.Yes:
		return fitmentv1.Decision_FITS
	default:
		return fitmentv1.Decision_PROVE_FIRST
	}
}

// Judge returns Decide's verdict without its reasons, at a fraction of the cost.
func Judge(need *fitmentv1.Need, listing *fitmentv1.Listing, cat *catalogue.Catalogue, policy Policy, today time.Time) fitmentv1.Decision_Verdict {
	return For(need, cat, policy, today).Judge(listing)
}

// Judge returns Decide's verdict only.
func (q *Question) Judge(listing *fitmentv1.Listing) fitmentv1.Decision_Verdict {
	var answers [len(registry)]evidence.Answer
	return caseOf(q, evidence.ClaimsOf(listing)).weigh(&answers)
}

// weigh runs the rules that count, reuse first since barred goes first, notes
// their answers, and stops as soon as nothing can change the verdict any more.
func (c *Case) weigh(answers *[len(registry)]evidence.Answer) fitmentv1.Decision_Verdict {
	fitting, reusing := evidence.Yes, evidence.Yes
	for _, i := range reuseRules {
		answers[i] = c.table[i].Check(c).Answer
		if reusing = evidence.And(reusing, answers[i]); reusing == evidence.No {
			return fitmentv1.Decision_BARRED
		}
	}
	for _, i := range fitRules {
		answers[i] = c.table[i].Check(c).Answer
		if fitting = evidence.And(fitting, answers[i]); fitting == evidence.No {
			return fitmentv1.Decision_DOES_NOT_FIT
		}
	}
	return Verdict(fitting, reusing)
}

// All returns the registry, in the order in which findings are shown.
func All() []Rule { return slices.Clone(registry[:]) }
