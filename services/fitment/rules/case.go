package rules

import (
	"slices"
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/vin"
)

// Case is one listing before one question, with what several rules need.
type Case struct {
	*Question

	claims evidence.Claims
	// number is what is known of the number on the label, and maker of its maker.
	number, maker evidence.Fact
	// numbered is true where the number is proven, and the maker with it where
	// several use the number.
	numbered bool
	// seller is the folded maker that is stated, if any.
	seller string
	// listed is the catalogue's part of that number at any level, nil where it has
	// none or the number is ambiguous; label the same where the number is proven.
	listed, label *fitmentv1.Part
	// right is the listed part's place among the right parts, nil where it has
	// none; proven the same where the number is proven.
	right, proven *rightPart
	// identical is true where the proven number is that of the part to be
	// replaced.
	identical bool
	// ambiguous is true where it cannot be told whose number it is: several makers
	// use it and none is stated, or statements about the maker contradict each
	// other. It is then no part's number.
	ambiguous bool

	donor *donorVIN
	loops *loops
	scan  *scan
	law   *law
}

// donorVIN is what the donor's VIN says.
type donorVIN struct {
	answer Result
	years  []int32
}

// caseOf prepares a listing.
func caseOf(q *Question, claims evidence.Claims) *Case {
	c := &Case{Question: q, claims: claims}
	c.prepare()
	return c
}

// prepare works out what follows from the number and the maker.
func (c *Case) prepare() {
	q := c.Question
	c.listed, c.label, c.right, c.proven, c.identical, c.ambiguous = nil, nil, nil, nil, false, false
	c.number, c.maker = c.claims.Fact(aNumber), c.claims.Fact(aMaker)
	c.seller, c.numbered = "", false
	if c.maker.Known() {
		c.seller = c.maker.Key
	}
	if !c.number.Known() {
		return
	}
	one := q.oneMaker(c.number.Key)
	if c.ambiguous = c.maker.Conflict || (c.seller == "" && !one); c.ambiguous {
		return
	}
	c.numbered = c.number.Proven() && (one || c.maker.Proven())
	for i := range q.rights {
		if m := &q.rights[i]; m.number == c.number.Key && (c.seller == "" || c.seller == m.maker) {
			c.right = m
			break
		}
	}
	c.listed = c.lookUp()
	if c.numbered {
		c.label, c.proven = c.listed, c.right
		c.identical = c.sameAsReplaced()
	}
}

// oneMaker tells whether at most one maker is known to use a number: the
// catalogue's, and the maker of the part to be replaced where it bears it.
func (q *Question) oneMaker(number string) bool {
	if number == q.replaced {
		return q.cat.OneMaker(number, q.replacedMaker)
	}
	return q.cat.OneMaker(number, "")
}

// lookUp finds the part of the listing's number in the catalogue, by the maker
// where one is stated.
func (c *Case) lookUp() *fitmentv1.Part {
	if c.right != nil {
		return c.right.Part
	}
	for _, part := range c.cat.PartByNumber(c.number.Key) {
		if c.seller == "" || names.Fold(part.GetMaker()) == c.seller {
			return part // the only one: a number without a maker is one maker's, see caseOf
		}
	}
	return nil
}

// sameAsReplaced tells whether the number is that of the part to be replaced;
// makers that are stated must not differ.
func (c *Case) sameAsReplaced() bool {
	if c.ambiguous {
		return false
	}
	maker := c.seller
	if c.listed != nil {
		maker = names.Fold(c.listed.GetMaker())
	}
	return c.replaced != "" && c.replaced == c.number.Key && (c.replacedMaker == "" || maker == "" || c.replacedMaker == maker)
}

// madeBy is the folded maker of the listed part, as well as it is known.
func (c *Case) madeBy() string {
	if c.listed != nil {
		return names.Fold(c.listed.GetMaker())
	}
	return c.seller
}

// what the catalogue says of a part, in comparable form, empty where it is silent.
func interfaceOf(p *fitmentv1.Part) string { return names.Fold(p.GetConnector().GetInterface()) }
func keyingOf(p *fitmentv1.Part) string    { return names.Fold(p.GetConnector().GetKeying()) }
func cavitiesOf(p *fitmentv1.Part) string  { return count(p.GetConnector().GetCavities()) }
func stagesOf(p *fitmentv1.Part) string    { return count(p.GetStages()) }

// count writes a number that is 0 where not known.
func count(n int32) string {
	if n == 0 {
		return ""
	}
	return strconv.Itoa(int(n))
}

// compare compares what the vehicle wants with what is stated of the part and
// with what a proven number implies.
func compare(wanted string, stated evidence.Fact, implied string) Result {
	have := stated.Key
	if implied != "" {
		have = implied
	}
	switch {
	case stated.Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case implied != "" && stated.Known() && stated.Key != implied:
		return unknown("what is stated contradicts what the part number stands for").comparing(implied, stated.Value)
	case have == "":
		return unknown("nothing is known about it")
	case wanted == "":
		return unknown("what the vehicle wants is not known")
	case have != wanted:
		return no("it is not what the vehicle wants").comparing(wanted, have)
	case implied != "":
		return yes("the proven part number stands for it").comparing(wanted, have)
	case stated.Proven():
		return yes("it is shown to be what the vehicle wants").comparing(wanted, have)
	default:
		return unknown("it is only claimed").comparing(wanted, have)
	}
}

// proves reads a yes-or-no attribute of which good is the harmless answer: the
// other one disproves at any level, the good one proves where shown.
func (c *Case) proves(attribute Attribute, good evidence.Answer, fine, bad string) Result {
	answer, proven := c.claims.Bool(attribute)
	switch {
	case c.claims.Fact(attribute).Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case answer == evidence.Unknown:
		return unknown("nothing is known about it")
	case answer != good:
		return no(bad)
	case !proven:
		return unknown("it is only claimed")
	default:
		return yes(fine)
	}
}

// HasSquib tells whether parts of a kind carry a squib of their own. A kind that
// is not stated counts as one that does.
func HasSquib(kind fitmentv1.Part_Kind) bool {
	return kind <= fitmentv1.Part_CURTAIN_AIR_BAG || kind > fitmentv1.Part_PIGTAIL
}

// isBelt tells whether a kind belongs to the belt.
func isBelt(kind fitmentv1.Part_Kind) bool {
	switch kind {
	case fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_RETRACTOR_PRETENSIONER, fitmentv1.Part_LAP_PRETENSIONER:
		return true
	default:
		return false
	}
}

// vinOf reads the donor's VIN, once.
func (c *Case) vinOf() *donorVIN {
	if c.donor != nil {
		return c.donor
	}
	c.donor = &donorVIN{}
	fact := c.claims.Fact(fitmentv1.Evidence_DONOR_VIN)
	if !fact.Known() {
		c.donor.answer = unknown("the donor's VIN is not known")
		if fact.Conflict {
			c.donor.answer = unknown("the statements about the donor's VIN contradict each other or cannot be read")
		}
		return c.donor
	}
	vehicle := c.claims.Listing().GetDonor()
	request := &fitmentv1.DecodeVinRequest{Vin: fact.Key, Market: vehicle.GetMarket(), VehicleClass: vehicle.GetVehicleClass()}
	said := vin.Decode(request)
	digit := said.GetCheckDigit()
	doubtful := digit.GetApplies() == fitmentv1.Finding_UNKNOWN && digit.GetActual() != digit.GetExpected()
	if said.GetValid() && !doubtful {
		c.donor.years = c.past(said.GetModelYears())
	}
	switch {
	case !said.GetValid():
		c.donor.answer = no("no vehicle can bear this VIN").comparing("", fact.Value)
	case doubtful:
		c.donor.answer = unknown("the VIN fails its check digit, and whether that counts depends on the donor's market").comparing(digit.GetExpected(), digit.GetActual())
	case len(said.GetModelYears()) > 0 && len(c.donor.years) == 0:
		c.donor.answer = unknown("the VIN's model year lies in the future")
	case c.yearsDisagree():
		c.donor.answer = unknown("the VIN and the stated model year disagree")
	case !fact.Proven():
		c.donor.answer = unknown("the donor's VIN is only claimed")
	default:
		c.donor.answer = yes("the donor's VIN is shown and well formed")
	}
	return c.donor
}

// past leaves out model years that are still to come: the code repeats every 30
// years, and no donor is from the future.
func (c *Case) past(years []int32) []int32 {
	var list []int32
	for _, year := range years {
		if int(year) <= c.today.Year()+1 {
			list = append(list, year)
		}
	}
	return list
}

// yearsDisagree tells whether a stated model year is none that the VIN allows.
func (c *Case) yearsDisagree() bool {
	year, known := c.statedYear()
	if !known || len(c.donor.years) == 0 {
		return false
	}
	return !slices.Contains(c.donor.years, year)
}

// statedYear is the donor's model year as stated at any level.
func (c *Case) statedYear() (year int32, known bool) {
	value, known, _ := c.claims.Number(fitmentv1.Evidence_DONOR_MODEL_YEAR)
	return int32(value), known // the key holds at most 16 bits
}

// provenYear is the donor's model year where it is shown, by itself or by a
// shown VIN that allows only one.
func (c *Case) provenYear() (year int32, proven bool) {
	fact := c.claims.Fact(fitmentv1.Evidence_DONOR_MODEL_YEAR)
	if fact.Conflict {
		return 0, false
	}
	if fact.Proven() {
		return c.statedYear()
	}
	if said := c.vinOf(); said.answer.Answer == evidence.Yes && len(said.years) == 1 {
		return said.years[0], true
	}
	return 0, false
}

// inYears tells whether a year lies within one of the applications.
func inYears(uses []*fitmentv1.Part_Application, year int32) bool {
	return slices.ContainsFunc(uses, func(a *fitmentv1.Part_Application) bool {
		return (a.GetYearFrom() == 0 || year >= a.GetYearFrom()) && (a.GetYearTo() == 0 || year <= a.GetYearTo())
	})
}

// splits tells whether one of the applications is limited by build date.
func splits(uses []*fitmentv1.Part_Application) bool {
	return slices.ContainsFunc(uses, catalogue.Split)
}
