package reference

import (
	"regexp"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// belts are the kinds that belong to a belt; squibless those without a squib.
var (
	belts     = []fitmentv1.Part_Kind{fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_RETRACTOR_PRETENSIONER, fitmentv1.Part_LAP_PRETENSIONER}
	squibless = []fitmentv1.Part_Kind{
		fitmentv1.Part_CLOCK_SPRING, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR, fitmentv1.Part_OCCUPANT_SENSOR, fitmentv1.Part_PIGTAIL,
	}
)

// ofSquibs is yes for kinds without a squib of their own.
func (c *item) ofSquibs(a Answer) Answer {
	if slices.Contains(squibless, c.need.GetKind()) {
		return Yes
	}
	return a
}

// pigtail: a lead that was cut bars every part but a pigtail.
func (c *item) pigtail() Answer {
	if c.need.GetKind() == fitmentv1.Part_PIGTAIL {
		return Yes
	}
	return c.harmless(aPigtail, no)
}

// beltInUse matters only for belts.
func (c *item) beltInUse() Answer {
	if c.need.GetKind() != 0 && !slices.Contains(belts, c.need.GetKind()) {
		return Yes
	}
	return c.harmless(aBelt, no)
}

// afterCrash: what a recorded crash means is contested but for belts and for the
// module and sensors that recorded it.
func (c *item) afterCrash(a Answer) Answer {
	barred := append([]fitmentv1.Part_Kind{0, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR}, belts...)
	if a == No && !slices.Contains(barred, c.need.GetKind()) {
		return Unknown
	}
	return a
}

// commanded lists, by dialect, the codes that mean "deployment commanded" (a
// maker's service data, vehicles of about 2000 to 2009). In the other dialects that
// are known the same numbers mean something else.
var commanded = map[string][]string{
	standard: nil,
	legacyA:  {fired, firedFaulty},
	legacyD:  nil,
}

// codeLength is how many characters a code has before its failure byte; fired and
// firedFaulty are the numbers that mean "deployment commanded" to one maker.
const (
	codeLength  = 5
	fired       = "B0051"
	firedFaulty = "B0053"
)

// Dialects that the vehicles of the questions speak, and the rest.
const (
	standard = "standard"
	legacyA  = "legacy-a"
	legacyD  = "legacy-d"
	others   = "others"
)

// listed are the body codes that each dialect's tables give: SAE J2012 as public
// lists have it, and makers' service data. What a body code means that is not among
// them nobody knows.
var listed = map[string][]string{
	standard: {
		"B0001", "B0002", "B0003", "B0004", "B0005", "B0010", "B0011", "B0012", "B0020", "B0021", "B0028", "B0029", "B0030", "B0038",
		"B0050", fired, "B0052", firedFaulty, "B0054", "B0055", "B0056", "B0057", "B0058", "B0070", "B0071", "B0072", "B0073", "B0074",
		"B0075", "B0076", "B0077", "B0078", "B0079", "B007A", "B0080", "B0081", "B0082", "B0083", "B0084", "B0085", "B0086", "B0087",
		"B0088", "B0090", "B0091", "B0092", "B0093", "B0094", "B0095", "B0096", "B0097", "B0098", "B0099", "B00A0", "B00B5", "B00C5",
		"B00D2", "B00D5", "B00DF", "B0100",
	},
	legacyA: {
		"B0040", "B0041", "B0045", fired, firedFaulty, "B0057", "B0058", "B0059", "B0061", "B0062", "B0064", "B0065", "B0066", "B0068",
		"B0069", "B0070", "B0071",
	},
	legacyD: {
		"B0100", "B0101", "B0102", "B0103", "B0105", "B0106", "B0107", "B0108", "B0110", "B0111", "B0112", "B0113", "B0115", "B0116",
		"B0117", "B0118", "B0130", "B0131", "B0132", "B0133", "B0135", "B0136", "B0137", "B0138",
	},
	// Dialects that no vehicle of the questions speaks, but that a code may be of.
	others: {firedFaulty, "B0054", "B1883", "B1900", "B1901", "B1902", "B1903", "B2293"},
}

// codeForm is a code with or without failure and status byte.
var codeForm = regexp.MustCompile(`^[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2}(-[0-9A-F]{2})?)?$`)

// deploymentCode: none of the donor's codes means that deployment was commanded.
// What is said outright and what the codes say must not contradict each other.
func (c *item) deploymentCode() Answer {
	flag, list := listen(c.listing, aCode), listen(c.listing, aCodes)
	fired, readable := c.fired(list)
	if flag.torn || list.torn || !readable {
		return Unknown
	}
	clean := list.said() && fired == No
	switch {
	case flag.value == yes && clean, flag.value == no && fired == Yes:
		return Unknown // one of the two is wrong
	case flag.value == yes || fired == Yes:
		return c.afterCrash(No)
	case list.said() && !clean:
		return Unknown
	case flag.value == no && flag.proven, clean && list.proven:
		return Yes
	}
	return Unknown
}

// fired tells whether one of the codes means in every dialect that the donor may
// speak that deployment was commanded; No where nothing is said.
func (c *item) fired(list told) (answer Answer, readable bool) {
	if !list.said() || list.value == "NONE" {
		return No, true
	}
	codes := strings.Split(list.value, ",")
	for _, code := range codes {
		if !codeForm.MatchString(code) {
			return Unknown, false
		}
	}
	every, tables := []string{standard, legacyA}, []string{standard, legacyA, legacyD, others}
	dialect := c.dialect(c.donorAsStated())
	if _, known := commanded[dialect]; !known {
		return meant(codes, every, tables), true
	}
	answer = meant(codes, []string{dialect}, []string{dialect})
	// Make and model are only stated: without a proven VIN they clear nothing that
	// another dialect would not clear as well.
	if answer == No && c.readVIN().answer != Yes && meant(codes, every, tables) != No {
		answer = Unknown
	}
	return answer, true
}

// meant tells whether one of the codes commands deployment in every one of the
// dialects; Unknown where they differ, or where none does and a body code is in none
// of the tables.
func meant(codes, dialects, tables []string) Answer {
	answer := among(dialects, func(dialect string) bool {
		return slices.ContainsFunc(codes, func(code string) bool { return slices.Contains(commanded[dialect], code[:codeLength]) })
	})
	if answer == No && slices.ContainsFunc(codes, func(code string) bool { return unread(code[:codeLength], tables) }) {
		return Unknown
	}
	return answer
}

// donorAsStated is the donor by all that is said of it; of a year that is disputed
// nothing is known.
func (c *item) donorAsStated() *fitmentv1.Vehicle {
	donor := c.listing.GetDonor()
	return &fitmentv1.Vehicle{Make: donor.GetMake(), Model: donor.GetModel(), ModelYear: listen(c.listing, aYear).figure()}
}

// unread tells whether it is a body code that none of the tables has.
func unread(code string, tables []string) bool {
	if code[0] != 'B' {
		return false
	}
	return !slices.ContainsFunc(tables, func(dialect string) bool { return slices.Contains(listed[dialect], code) })
}

// programming: a module must be able to serve another vehicle.
func (c *item) programming() Answer {
	if c.need.GetKind() != fitmentv1.Part_CONTROL_MODULE {
		return Yes
	}
	stated := listen(c.listing, aProgrammable)
	implied := ""
	switch c.label().GetProgramming() {
	case fitmentv1.Part_LOCKED:
		implied = no
	case fitmentv1.Part_NONE, fitmentv1.Part_SETUP:
		implied = yes
	default:
	}
	return stated.equals(yes, implied)
}

// donorParts: the maker does not rule out such a part from another vehicle. Where
// the number is not proven, the part may be the listed one or any right one.
func (c *item) donorParts() Answer {
	var may []*fitmentv1.Part
	if label := c.label(); label != nil {
		may = append(may, label)
	} else {
		if c.listed != nil {
			may = append(may, c.listed)
		}
		for _, r := range c.rights {
			may = append(may, r.part)
		}
	}
	if len(may) == 0 {
		return Yes // the catalogue knows of no rule against it
	}
	allowed := 0
	for _, p := range may {
		if p.GetDonorPolicy() != fitmentv1.Part_FORBIDDEN {
			allowed++
		}
	}
	return agreed(allowed, len(may))
}

// fitting answers whether a list of what fitting the part takes is empty.
func (c *item) fitting(length func(*fitmentv1.Part) int) Answer {
	label := c.label()
	switch {
	case label == nil:
		return Unknown
	case length(label) > 0:
		return No
	case label.GetFittingKnown():
		return Yes
	}
	return Unknown
}

// restraintText: what was filed about vehicle and donor does not say opposite
// things outright. Silence never counts.
func (c *item) restraintText() Answer {
	ours, theirs := filed(c.need.GetVehicle().GetRestraintText()), filed(c.listing.GetDonor().GetRestraintText())
	for subject, has := range ours {
		other, said := theirs[subject]
		switch {
		case !said || other == has:
		case c.identical(), c.rightLabel() != nil && c.right.proven == Yes:
			return Unknown
		default:
			return No
		}
	}
	return Yes
}

// filed reads texts of a few plain clauses: "side air bags", "no side air bags",
// "without pretensioners", "none". A clause with any other word says nothing, and
// what is both affirmed and denied is neither.
func filed(text string) map[string]bool {
	affirmed, denied := map[string]bool{}, map[string]bool{}
	deny := func(subjects ...string) {
		for _, s := range subjects {
			denied[s] = true
		}
	}
	bags := []string{"side air bags", "curtain air bags", "knee air bags"}
	for clause := range strings.SplitSeq(strings.ToLower(text), ",") {
		clause = strings.TrimSpace(clause)
		what, denies := strings.CutPrefix(clause, "no ")
		if !denies {
			what, denies = strings.CutPrefix(clause, "without ")
		}
		switch {
		case clause == "none":
			deny("air bags", "side air bags", "curtain air bags", "knee air bags", "pretensioners")
		case denies:
			deny(what)
		default:
			affirmed[what] = true
		}
		if !denies && slices.Contains(bags, what) { // a bag of one kind is a bag
			affirmed["air bags"] = true
		}
	}
	if denied["air bags"] {
		for _, kind := range bags { // none at all is none of any kind, unless some are
			denied[kind], affirmed[kind] = true, affirmed["air bags"]
		}
	}
	says := map[string]bool{}
	for _, subject := range append(bags, "air bags", "pretensioners") {
		if affirmed[subject] != denied[subject] {
			says[subject] = affirmed[subject]
		}
	}
	return says
}
