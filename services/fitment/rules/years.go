package rules

import (
	"strconv"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

// sameYears: vehicle and donor are of model years that the part is for.
func sameYears(c *Case) Result {
	stated := c.claims.Fact(fitmentv1.Evidence_DONOR_MODEL_YEAR)
	year, known := c.statedYear()
	switch {
	case c.proven == nil && c.identical:
		return yes("it bears the number of the part it replaces")
	case stated.Conflict:
		return unknown("the statements about the donor's model year contradict each other or cannot be read")
	case c.proven != nil:
		return c.yearsByLabel(year, known)
	case c.need.GetVehicle().GetModelYear() == 0:
		return ask(askModelYear)
	case len(c.rights) == 0:
		return unknown("the catalogue lists no part for this vehicle, kind and position")
	case !known:
		return unknown("the donor's model year is not known, nor the number on the label")
	case !c.someRightYear(year):
		return no("no part that is right for the vehicle was made for the donor's model year").comparing(count(c.need.GetVehicle().GetModelYear()), count(year))
	case !stated.Proven():
		return unknown("the donor's model year is only claimed")
	default:
		return yes("a part that is right for the vehicle is for the donor's model year too").comparing(count(c.need.GetVehicle().GetModelYear()), count(year))
	}
}

// yearsByLabel answers where a right part's number is proven: the vehicle's year
// must be one it is for. A donor of another year contradicts the label.
func (c *Case) yearsByLabel(donor int32, known bool) Result {
	vehicle := c.need.GetVehicle().GetModelYear()
	own := c.proven.Part.GetApplications()
	switch {
	case known && len(own) > 0 && !inYears(own, donor):
		return unknown("the part of this number was not made for the donor's model year").comparing(span(own), strconv.Itoa(int(donor)))
	case c.identical:
		return yes("it bears the number of the part it replaces")
	case vehicle == 0:
		return ask(askModelYear)
	default: // the catalogue leaves out what is not for the vehicle's year
		return yes("the part of this number is for the vehicle's model year").comparing(span(c.proven.Uses), strconv.Itoa(int(vehicle)))
	}
}

// span writes the years of the first application.
func span(uses []*fitmentv1.Part_Application) string {
	if len(uses) == 0 {
		return ""
	}
	return strconv.Itoa(int(uses[0].GetYearFrom())) + "–" + strconv.Itoa(int(uses[0].GetYearTo()))
}

func (c *Case) someRightYear(year int32) bool {
	for i := range c.rights {
		if inYears(c.rights[i].Uses, year) {
			return true
		}
	}
	return false
}

// sameBuild: where the part changed within a model year, the vehicle was built on
// the right side of the change.
func sameBuild(c *Case) Result {
	built := c.need.GetVehicle().GetBuildDate()
	switch {
	case c.number.Conflict:
		return unknown("the statements about the part number contradict each other or cannot be read")
	case c.identical && c.excluded():
		return unknown(identicalElsewhere)
	case c.identical:
		return yes("it bears the number of the part it replaces")
	case c.proven != nil:
		return byBuild(c.proven, built)
	case c.otherBuild(built):
		return no("the part of this number is for vehicles built before or after the change").comparing(built, c.number.Value)
	case len(c.rights) == 0:
		return unknown("the catalogue lists no part for this vehicle, kind and position")
	case !c.someSplit():
		return yes("the right parts did not change within a model year")
	}
	if day := c.claims.Listing().GetDonor().GetBuildDate(); isDay(day) && !c.someRightBuild(day) {
		return no("the donor was built on the other side of the change").comparing(built, day)
	}
	if !isDay(built) {
		return ask(askBuildDate)
	}
	return unknown("the part changed within the model year, and only the number on the label tells which one this is")
}

// byBuild compares the build dates of applications with the vehicle's.
func byBuild(m *rightPart, built string) Result {
	answer := evidence.No
	for _, a := range m.Uses {
		answer = evidence.Or(answer, catalogue.BuiltIn(a, built))
	}
	switch {
	case !splits(m.Uses):
		return yes("the part of this number did not change within a model year")
	case answer == evidence.Yes, m.Application == evidence.Yes:
		return yes("the vehicle was built on the right side of the change").comparing("", built)
	default: // the catalogue leaves out what is not for the build date
		return ask(askBuildDate)
	}
}

// otherBuild tells whether the listed part is for the vehicle but for its build
// date.
func (c *Case) otherBuild(built string) bool {
	if c.right != nil || c.listed == nil {
		return false
	}
	vehicle := c.need.GetVehicle()
	answer := evidence.Unknown
	for _, a := range c.listed.GetApplications() {
		plain := &fitmentv1.Part_Application{
			Make: a.GetMake(), Model: a.GetModel(), YearFrom: a.GetYearFrom(), YearTo: a.GetYearTo(),
			Body: a.GetBody(), DriveSide: a.GetDriveSide(), Market: a.GetMarket(),
		}
		if catalogue.Covers(plain, vehicle) == evidence.No {
			continue
		}
		if catalogue.BuiltIn(a, built) != evidence.No {
			return false
		}
		answer = evidence.No
	}
	return answer == evidence.No
}

func (c *Case) someSplit() bool {
	for i := range c.rights {
		if splits(c.rights[i].Uses) {
			return true
		}
	}
	return false
}

func (c *Case) someRightBuild(day string) bool {
	for i := range c.rights {
		for _, a := range c.rights[i].Uses {
			if catalogue.BuiltIn(a, day) != evidence.No {
				return true
			}
		}
	}
	return false
}

func isDay(day string) bool {
	_, err := time.Parse(time.DateOnly, day)
	return err == nil
}

// withinLife: the part is younger than the service life its maker sets. Where the
// label's date of manufacture is stated it decides; otherwise the donor's model
// year does.
func withinLife(c *Case) Result {
	life, settled := c.serviceLife()
	switch made := c.claims.Fact(aMade); {
	case !settled:
		return unknown("the parts listed for the vehicle differ in service life: the number on the label decides").about(aNumber)
	case life == 0:
		return yes("the catalogue knows of no service life set by the maker")
	case made.Conflict:
		return unknown("the statements about the date of manufacture contradict each other or cannot be read").about(aMade)
	case made.Known():
		return c.lifeByLabel(life, made)
	default:
		return c.lifeByYear(life)
	}
}

// lifeByLabel answers from the date of manufacture: a year, a month or a day, and
// so a span of days. A date that is only claimed can only speak against the part.
func (c *Case) lifeByLabel(life int32, made evidence.Fact) Result {
	first, last, err := evidence.ParsePeriod(made.Key)
	year, month, day := c.today.Date()
	today := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	limit := count(life) + " years"
	switch {
	case err != nil || first.After(today):
		return unknown("the date of manufacture cannot be: it lies in the future").comparing(limit, made.Value).about(aMade)
	case last.AddDate(int(life), 0, 0).Before(today):
		return no("by its date of manufacture it is older than the service life its maker sets").comparing(limit, made.Value).about(aMade)
	case !made.Proven():
		return unknown("the maker sets a service life, and the date of manufacture is only claimed").comparing(limit, made.Value).about(aMade)
	case first.AddDate(int(life), 0, 0).After(today):
		return yes("by its date of manufacture it is younger than the service life its maker sets").comparing(limit, made.Value).about(aMade)
	default:
		return unknown("it is close to the service life its maker sets: only the day of manufacture would tell").comparing(limit, made.Value).about(aMade)
	}
}

// lifeByYear answers from the donor's model year. A part of model year Y was made
// from January of Y−1 on (a model year may begin in the calendar year before; 49
// CFR 565.3, production of less than two years), at the latest taken to be in Y.
func (c *Case) lifeByYear(life int32) Result {
	if c.claims.Fact(fitmentv1.Evidence_DONOR_MODEL_YEAR).Conflict {
		return unknown("the statements about the donor's model year contradict each other or cannot be read")
	}
	if c.vinOf(); c.yearsDisagree() {
		return unknown("the donor's VIN and its stated model year disagree")
	}
	year, proven := c.provenYear()
	today := int32(c.today.Year())
	if !proven {
		stated, known := c.statedYear()
		switch {
		case known && stated+life < today:
			return c.tooOld(life, stated)
		case known:
			return unknown("the maker sets a service life, and the donor's model year is only claimed")
		default:
			return unknown("the maker sets a service life, and the donor's model year is not known")
		}
	}
	limit, age := count(life)+" years", strconv.Itoa(int(today-year))+" years"
	switch {
	case year+life < today:
		return c.tooOld(life, year)
	case year-1+life > today:
		return yes("it is younger than the service life its maker sets").comparing(limit, age)
	default:
		return unknown("it is close to the service life its maker sets: the date on its label decides").comparing(limit, age).about(aMade)
	}
}

func (c *Case) tooOld(life, year int32) Result {
	age := strconv.Itoa(c.today.Year()-int(year)) + " years"
	return no("it is older than the service life its maker sets").comparing(count(life)+" years", age)
}

// serviceLife is the service life in years that the maker sets, 0 for none;
// settled is false where it depends on a number that is not proven.
func (c *Case) serviceLife() (life int32, settled bool) {
	if c.label != nil {
		return c.label.GetServiceLifeYears(), true
	}
	for i := range c.rights {
		own := c.rights[i].Part.GetServiceLifeYears()
		if i > 0 && own != life {
			return 0, false
		}
		life = own
	}
	return life, true
}
