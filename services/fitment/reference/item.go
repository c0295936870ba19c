package reference

import (
	"slices"
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// item is one listing before a question.
type item struct {
	*Question

	listing       *fitmentv1.Listing
	number, maker told
	// unclear is true where it cannot be told whose number it is: several makers
	// use it and none is stated, or the statements about the maker disagree.
	unclear bool
	// listed is the catalogue's part of that number, and right the right part of
	// that number, nil where there is none.
	listed *fitmentv1.Part
	right  *right
	// proven is true where the number stands for the part: it is shown, and so is
	// the maker where several use it.
	proven bool
	// same is true where it is the number of the part that is to be replaced.
	same bool
}

// of reads a listing.
func (q *Question) of(listing *fitmentv1.Listing) *item {
	c := &item{Question: q, listing: listing, number: listen(listing, aNumber), maker: listen(listing, aMaker)}
	if !c.number.said() {
		return c
	}
	several := len(q.users(c.number.value)) > 1
	c.unclear = c.maker.torn || (several && !c.maker.said())
	c.proven = c.number.sure() && !c.unclear && (!several || c.maker.sure())
	if c.unclear {
		return c
	}
	whose := func(maker string) bool { return !c.maker.said() || c.maker.value == maker }
	for i, r := range q.rights {
		if r.number == c.number.value && whose(r.maker) {
			c.right, c.listed = &q.rights[i], r.part
			break
		}
	}
	for _, p := range q.facts.Parts {
		if c.listed == nil && partNumber(p.GetNumber()) == c.number.value && whose(fold(p.GetMaker())) {
			c.listed = p
		}
	}
	by := c.madeBy()
	c.same = q.replaced == c.number.value && (q.replacedMaker == "" || by == "" || by == q.replacedMaker)
	return c
}

// users lists the makers that are known to use a number.
func (q *Question) users(number string) map[string]bool {
	makers := map[string]bool{}
	note := func(maker string, theirs ...string) {
		for _, one := range theirs {
			if partNumber(one) == number && fold(maker) != "" {
				makers[fold(maker)] = true
			}
		}
	}
	for _, p := range q.facts.Parts {
		note(p.GetMaker(), p.GetNumber())
	}
	for _, s := range q.facts.Supersessions {
		note(s.GetMaker(), s.GetOldNumber(), s.GetNewNumber())
	}
	for _, r := range q.facts.Recalls {
		note(r.GetPartMaker(), r.GetPartNumber())
	}
	note(q.replacedMaker, q.replaced)
	return makers
}

// madeBy is whose the part is, as well as it is known.
func (c *item) madeBy() string {
	switch {
	case c.listed != nil:
		return fold(c.listed.GetMaker())
	case c.maker.said():
		return c.maker.value
	}
	return ""
}

// label is the part that a proven number stands for.
func (c *item) label() *fitmentv1.Part {
	if c.proven {
		return c.listed
	}
	return nil
}

// rightLabel is the right part that a proven number stands for.
func (c *item) rightLabel() *right {
	if c.proven {
		return c.right
	}
	return nil
}

// identical tells whether the part is proven to bear the number of the one that it
// is to replace.
func (c *item) identical() bool { return c.proven && c.same }

// excluded tells whether the catalogue lists vehicles for the part, and this one
// is in no world among them.
func (c *item) excluded() bool {
	if c.listed == nil || c.right != nil {
		return false
	}
	answer, _ := c.Question.listed(c.listed)
	return answer == No
}

// kindOf and the functions after it are what the catalogue says of a part, in the
// form in which values are compared, empty where it is silent.
func kindOf(p *fitmentv1.Part) string {
	if p.GetKind() == 0 {
		return ""
	}
	return p.GetKind().String()
}

func count(n int32) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(int(n))
}

func designOf(about attribute, p *fitmentv1.Part) string {
	switch about {
	case aInterface:
		return fold(p.GetConnector().GetInterface())
	case aKeying:
		return fold(p.GetConnector().GetKeying())
	case aCavities:
		return count(p.GetConnector().GetCavities())
	default:
		return count(p.GetStages())
	}
}

// seen is what was looked at in the vehicle.
func (q *Question) seen(about attribute) string {
	return designOf(about, &fitmentv1.Part{Connector: q.need.GetConnector(), Stages: q.need.GetStages()})
}

// may lists the values that an attribute of the part may truly have, where the
// vehicle wants one of them: what a proven number stands for, what is stated, or
// anything. Nothing is left where these contradict each other.
func (t told) may(want, implied string) []string {
	const other = "\x00something else"
	switch {
	case t.torn, implied != "" && t.said() && t.value != implied:
		return nil
	case implied != "":
		return []string{implied}
	case t.said() && (t.proven || t.value != want):
		return []string{t.value}
	case t.said():
		return []string{t.value, other}
	}
	return []string{want, other}
}

// equals tells whether the part has the value that the vehicle wants, empty where
// that is not known.
func (t told) equals(want, implied string) Answer {
	if want == "" {
		return Unknown
	}
	return among(t.may(want, implied), func(v string) bool { return v == want })
}

// harmless answers for a yes-or-no attribute of which one value is the harmless
// one.
func (c *item) harmless(about attribute, good string) Answer {
	return listen(c.listing, about).equals(good, "")
}

// feature answers for a feature that follows from the design: what was seen in the
// vehicle goes before what all right parts have in common.
func (c *item) feature(about attribute) Answer {
	stated, label := listen(c.listing, about), c.label()
	implied := ""
	if label != nil {
		implied = designOf(about, label)
	}
	want := c.seen(about)
	switch {
	case want != "":
	case c.rightLabel() != nil:
		want = implied
	default:
		for i, r := range c.rights {
			one := designOf(about, r.part)
			if i > 0 && one != want {
				want = ""
				break
			}
			want = one
		}
	}
	if c.identical() && !stated.torn {
		// it is of the very design of the part in the vehicle, unless what is known
		// of it says otherwise
		if (stated.said() && stated.value != want) || (implied != "" && want != "" && implied != want) {
			return Unknown
		}
		return Yes
	}
	return stated.equals(want, implied)
}

func (c *item) kind() Answer {
	return listen(c.listing, aKind).equals(kindOf(&fitmentv1.Part{Kind: c.need.GetKind()}), kindOf(c.label()))
}

// position: a proven number answers by all positions that the part is made for;
// otherwise the one that it was pulled from does, unless a right part serves both.
func (c *item) position() Answer {
	if single(c.need.GetKind()) {
		return Yes
	}
	stated := listen(c.listing, aPosition)
	if stated.torn || !c.place.whole() {
		return Unknown
	}
	serves := func(p *fitmentv1.Part, at string) bool {
		if single(p.GetKind()) {
			return true
		}
		return slices.ContainsFunc(p.GetPositions(), func(one *fitmentv1.Position) bool { return seat(one) == at })
	}
	want := c.place.text()
	if label := c.label(); label != nil && len(label.GetPositions()) > 0 {
		if stated.said() && !serves(label, stated.value) {
			return Unknown
		}
		return truth(serves(label, want))
	}
	if stated.said() && stated.value != want && slices.ContainsFunc(c.rights, func(r right) bool { return serves(r.part, stated.value) }) {
		return Unknown
	}
	return stated.equals(want, "")
}

// driveSide matters only for parts that are listed for one side.
func (c *item) driveSide() Answer {
	stated, label := listen(c.listing, aDriveSide), c.rightLabel()
	want := ""
	if side := c.need.GetVehicle().GetDriveSide(); side != 0 {
		want = side.String()
	}
	if label == nil {
		if c.identical() {
			return Yes
		}
		return stated.equals(want, "")
	}
	uses := label.part.GetApplications()
	if len(uses) == 0 {
		uses = label.uses
	}
	for _, side := range []fitmentv1.Vehicle_DriveSide{fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT} {
		if !slices.ContainsFunc(uses, func(a *fitmentv1.Part_Application) bool { return a.GetDriveSide() == 0 || a.GetDriveSide() == side }) {
			return stated.equals(want, want) // for the other side only
		}
	}
	return Yes
}

// matches answers for the number: does it belong in the vehicle?
func (c *item) matches() Answer {
	if !c.number.said() || c.unclear {
		return Unknown
	}
	return c.ifProven(c.belongs())
}

// ifProven leaves a yes open where the number is only claimed.
func (c *item) ifProven(a Answer) Answer {
	if a == Yes && !c.proven {
		return Unknown
	}
	return a
}

func (c *item) belongs() Answer {
	if c.right != nil {
		return c.againstReplaced()
	}
	if answer, known := c.byReplaced(); known {
		return answer
	}
	switch {
	case c.excluded():
		return No
	case len(c.rights) == 0:
		return Unknown
	case c.listed != nil && len(c.listed.GetApplications()) == 0 && c.listed.GetKind() == c.need.GetKind():
		return Unknown
	}
	return No
}

// againstReplaced: a vehicle that bears a number which the catalogue neither lists
// for it nor replaces by a right one is not the vehicle that the catalogue means.
func (c *item) againstReplaced() Answer {
	if c.replaced == "" {
		return Yes
	}
	for _, r := range c.rights {
		if r.number == c.replaced && (c.replacedMaker == "" || c.replacedMaker == r.maker) {
			return Yes
		}
	}
	maker := c.replacedMaker
	if maker == "" {
		maker = c.right.maker
	}
	if c.replaces(maker, c.number.value, c.replaced) == Yes {
		return Yes
	}
	return Unknown
}

// byReplaced answers by the number on the part that is to be replaced alone.
func (c *item) byReplaced() (answer Answer, known bool) {
	if c.replaced == "" {
		return No, false
	}
	if c.same {
		if c.excluded() {
			return Unknown, true
		}
		return Yes, true
	}
	maker := c.madeBy()
	if maker == "" {
		maker = c.replacedMaker
	}
	if c.replacedMaker != "" && maker != c.replacedMaker {
		return No, false
	}
	answer = c.replaces(maker, c.number.value, c.replaced)
	return answer, answer != No
}

// application answers whether the catalogue lists the vehicle for the number.
func (c *item) application() Answer {
	if !c.number.said() || c.unclear {
		return Unknown
	}
	if c.right != nil {
		if c.proven && (c.right.proven == Yes || c.same) {
			return Yes
		}
		return Unknown
	}
	if answer, known := c.byReplaced(); known {
		return c.ifProven(answer)
	}
	if c.excluded() {
		return No
	}
	return Unknown
}

// legible: somebody other than the seller having read the number shows that the
// label can be read.
func (c *item) legible() Answer {
	stated := listen(c.listing, aLegible)
	if c.number.said() && c.number.confirmed && !stated.torn {
		return among([]string{yes, stated.value}, func(v string) bool { return v != no })
	}
	return stated.equals(yes, "")
}

// pulledBy: "unknown" is an answer too.
func (c *item) pulledBy() Answer {
	stated := listen(c.listing, aPulledBy)
	switch {
	case !stated.said():
		return Unknown
	case stated.value == "unknown" || stated.value == "not known":
		return No
	case !stated.proven:
		return Unknown
	}
	return Yes
}
