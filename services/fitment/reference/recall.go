package reference

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// origin is a part and its donor as far as one relies on it; what is empty is not
// known.
type origin struct {
	maker, number, brand, model string
	year                        int32
}

// concerns tells whether a notice or coverage statement is about a part.
func (c *item) concerns(r *fitmentv1.Recall, o origin) Answer {
	limit := func(limit, value string) Answer {
		switch {
		case limit == "" || limit == value:
			return Yes
		case value == "":
			return Unknown
		}
		return No
	}
	years := Yes
	if r.GetYearFrom() != 0 || r.GetYearTo() != 0 {
		years = truth(within(r.GetYearFrom(), r.GetYearTo(), o.year))
		if o.year == 0 {
			years = Unknown
		}
	}
	kind := truth(r.GetKind() == 0 || r.GetKind() == c.need.GetKind())
	return both(kind, years, limit(fold(r.GetPartMaker()), o.maker), limit(partNumber(r.GetPartNumber()), o.number),
		limit(fold(r.GetMake()), o.brand), limit(fold(r.GetModel()), o.model))
}

// notices tells whether a loaded notice covers a part, and whether one may.
func (c *item) notices(o origin) (covers, may bool) {
	for _, r := range c.facts.Recalls {
		if r.GetType() == fitmentv1.Recall_NOTICE {
			answer := c.concerns(r, o)
			covers, may = covers || answer == Yes, may || answer == Unknown
		}
	}
	return covers, may
}

// recent tells whether a day is at most so many days before today, and not after
// it.
func (c *item) recent(day string, days int) bool {
	d, err := time.Parse(time.DateOnly, day)
	y, m, dd := c.facts.Today.Date()
	today := time.Date(y, m, dd, 0, 0, 0, 0, time.UTC)
	return err == nil && !d.After(today) && !d.AddDate(0, 0, days).Before(today)
}

// stated is part and donor by all that is said of them.
func (c *item) stated() origin {
	donor := c.listing.GetDonor()
	o := origin{maker: c.madeBy(), brand: fold(donor.GetMake()), model: fold(donor.GetModel()), year: listen(c.listing, aYear).figure()}
	if c.number.said() {
		o.number = c.number.value
	}
	if o.maker == "" && c.identical() {
		o.maker = c.replacedMaker
	}
	return o
}

// shownOrigin is part and donor by what is proven of them. A proven VIN ties the
// stated make and model to a vehicle.
func (c *item) shownOrigin() origin {
	var o origin
	if c.proven {
		o.number, o.maker = c.number.value, fold(c.label().GetMaker())
	}
	if o.maker == "" && c.identical() {
		o.maker = c.replacedMaker
	}
	stated, vin := listen(c.listing, aYear), c.readVIN()
	switch {
	case stated.sure():
		o.year = stated.figure()
	case !stated.torn && vin.answer == Yes && len(vin.years) == 1:
		o.year = vin.years[0]
	}
	if vin.answer == Yes {
		o.brand, o.model = fold(c.listing.GetDonor().GetMake()), fold(c.listing.GetDonor().GetModel())
	}
	return o
}

// covered tells whether a loaded notice covers the part as stated or as proven.
func (c *item) covered() bool {
	stated, _ := c.notices(c.stated())
	proven, _ := c.notices(c.shownOrigin())
	return stated || proven
}

// involved counts the notices that cover the part, or may, as stated or as proven.
func (c *item) involved() int {
	n := 0
	for _, r := range c.facts.Recalls {
		if r.GetType() == fitmentv1.Recall_NOTICE && (c.concerns(r, c.stated()) != No || c.concerns(r, c.shownOrigin()) != No) {
			n++
		}
	}
	return n
}

// remedied answers for a part under recall. A remedy is of one recall: it must be
// the only one that the part can be under.
func (c *item) remedied(remedy told, found bool) Answer {
	switch {
	case !remedy.sure() || remedy.value != yes:
		return No
	case found || c.shownOrigin().maker == "" || c.involved() != 1:
		return Unknown
	}
	return Yes
}

// recall: no recall stands open against the part. What is only claimed bars, only
// what is proven clears, and only while no notice may cover it.
func (c *item) recall() Answer {
	query, remedy := listen(c.listing, aOpen), listen(c.listing, aRemedied)
	if found := query.said() && query.value == yes; c.covered() || found {
		return c.remedied(remedy, found)
	}
	o := c.shownOrigin()
	_, may := c.notices(o)
	_, mayAsStated := c.notices(c.stated())
	complete := false
	for _, r := range c.facts.Recalls {
		complete = complete || (r.GetType() == fitmentv1.Recall_COVERAGE && c.concerns(r, o) == Yes && c.recent(r.GetAsOf(), c.facts.RecallDays))
	}
	switch {
	case query.torn || o.maker == "" || may:
		return Unknown
	case complete:
		return Yes
	case mayAsStated || !query.sure() || !c.recent(query.day, c.facts.RecallDays) || c.readVIN().answer != Yes:
		return Unknown
	}
	return Yes
}
