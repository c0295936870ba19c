package reference

import (
	"slices"
	"strconv"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// forYear tells whether one of the applications is for a model year.
func forYear(uses []*fitmentv1.Part_Application, year int32) bool {
	return slices.ContainsFunc(uses, func(a *fitmentv1.Part_Application) bool { return within(a.GetYearFrom(), a.GetYearTo(), year) })
}

// split tells whether one of the applications is limited by build date.
func split(uses []*fitmentv1.Part_Application) bool {
	return slices.ContainsFunc(uses, func(a *fitmentv1.Part_Application) bool { return a.GetBuiltFrom()+a.GetBuiltTo() != "" })
}

// figure is a stated number, 0 where none is said.
func (t told) figure() int32 {
	if !t.said() {
		return 0
	}
	n, err := strconv.ParseInt(t.value, 10, 32)
	if err != nil { // plain has read it
		return 0
	}
	return int32(n)
}

// modelYear: vehicle and donor are of years that the part is for.
func (c *item) modelYear() Answer {
	stated, label := listen(c.listing, aYear), c.rightLabel()
	donor, vehicle := stated.figure(), c.need.GetVehicle().GetModelYear()
	switch {
	case label == nil && c.identical():
		return Yes
	case stated.torn:
		return Unknown
	case label != nil:
		own := label.part.GetApplications()
		switch {
		case stated.said() && len(own) > 0 && !forYear(own, donor):
			return Unknown // the donor contradicts the label
		case c.same || vehicle != 0:
			return Yes
		}
		return Unknown
	case vehicle == 0 || len(c.rights) == 0 || !stated.said():
		return Unknown
	case !slices.ContainsFunc(c.rights, func(r right) bool { return forYear(r.uses, donor) }):
		return No
	}
	return c.shown(stated)
}

// shown answers for what is stated and speaks for the part.
func (*item) shown(t told) Answer {
	if t.proven {
		return Yes
	}
	return Unknown
}

// buildDate: where the part changed within a model year, the vehicle was built on
// its side of the change.
func (c *item) buildDate() Answer {
	label := c.rightLabel()
	switch {
	case c.number.torn:
		return Unknown
	case c.identical():
		if c.excluded() { // the vehicle's part and the catalogue contradict each other
			return Unknown
		}
		return Yes
	case label != nil:
		return c.builtFor(label)
	case c.otherwiseRight():
		return No
	case len(c.rights) == 0:
		return Unknown
	case !slices.ContainsFunc(c.rights, func(r right) bool { return split(r.uses) }):
		return Yes
	}
	donor := c.listing.GetDonor().GetBuildDate()
	fits := func(a *fitmentv1.Part_Application) bool { return since(a.GetBuiltFrom(), a.GetBuiltTo(), donor) }
	if donor != "" && !slices.ContainsFunc(c.rights, func(r right) bool { return slices.ContainsFunc(r.uses, fits) }) {
		return No
	}
	return Unknown // only the label tells which of them it is
}

// builtFor answers from the build dates of a right part. What is not for the
// vehicle's date is not right, so only a date that is not known leaves it open.
func (c *item) builtFor(label *right) Answer {
	built := c.need.GetVehicle().GetBuildDate()
	if !split(label.uses) || label.proven == Yes || built != "" {
		return Yes
	}
	if slices.ContainsFunc(label.uses, func(a *fitmentv1.Part_Application) bool { return a.GetBuiltFrom()+a.GetBuiltTo() == "" }) {
		return Yes
	}
	return Unknown
}

// otherwiseRight tells whether the listed part would be for the vehicle in some
// world but for its build date.
func (c *item) otherwiseRight() bool {
	if c.right != nil || c.listed == nil {
		return false
	}
	v := c.need.GetVehicle()
	excluded := false
	for _, a := range c.listed.GetApplications() {
		if !sameName(a.GetMake(), v.GetMake()) || !sameName(a.GetModel(), v.GetModel()) {
			continue
		}
		some := func(holds func(*world) bool) bool { return where(c.worlds, holds).count() > 0 }
		free := &fitmentv1.Part_Application{
			YearFrom: a.GetYearFrom(), YearTo: a.GetYearTo(), Body: a.GetBody(), DriveSide: a.GetDriveSide(), Market: a.GetMarket(),
		}
		if !some(func(w *world) bool { return w.lists(free) }) {
			continue
		}
		if some(func(w *world) bool { return since(a.GetBuiltFrom(), a.GetBuiltTo(), w.built) }) {
			return false
		}
		excluded = true
	}
	return excluded
}

// serviceLife: the part is younger than its maker's service life. The date of
// manufacture on its label decides; without one the donor's model year Y does,
// whose part was made from January of Y−1 on, at the latest in Y.
func (c *item) serviceLife() Answer {
	life, settled := c.life()
	switch {
	case !settled:
		return Unknown
	case life == 0:
		return Yes
	}
	if made := listen(c.listing, aMade); made.torn {
		return Unknown
	} else if made.said() {
		first, last, _ := period(made.value)
		return c.younger(first, last, life, made.proven)
	}
	stated, vin := listen(c.listing, aYear), c.readVIN()
	if stated.torn || (stated.said() && len(vin.years) > 0 && !slices.Contains(vin.years, stated.figure())) {
		return Unknown
	}
	year, proven := stated.figure(), stated.proven
	if !stated.sure() && vin.answer == Yes && len(vin.years) == 1 {
		year, proven = vin.years[0], true
	}
	if year == 0 {
		return Unknown
	}
	thisYear := int32(c.facts.Today.Year())
	switch {
	case year+life < thisYear:
		return No
	case proven && year-1+life > thisYear:
		return Yes
	}
	return Unknown
}

// life is the service life in years, 0 for none; it is not settled where it
// depends on a number that is not proven.
func (c *item) life() (years int32, settled bool) {
	if label := c.label(); label != nil {
		return label.GetServiceLifeYears(), true
	}
	for i, r := range c.rights {
		if i > 0 && r.part.GetServiceLifeYears() != years {
			return 0, false
		}
		years = r.part.GetServiceLifeYears()
	}
	return years, true
}

// younger compares a period of manufacture with today.
func (c *item) younger(first, last time.Time, life int32, proven bool) Answer {
	y, m, d := c.facts.Today.Date()
	today := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	switch {
	case last.AddDate(int(life), 0, 0).Before(today):
		return No
	case proven && first.AddDate(int(life), 0, 0).After(today):
		return Yes
	}
	return Unknown
}
