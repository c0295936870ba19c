package catalogue

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
)

// Match is a part that is, or may be, right for a need.
type Match struct {
	// Part is the catalogue's entry; where a superseding number has none, it
	// holds only maker, number, kind and positions.
	Part *fitmentv1.Part
	// Application is Yes where the part is right for the vehicle and Unknown
	// where something that decides it is not known of the vehicle; never No.
	Application evidence.Answer
	// Uses are the applications that are not excluded; for a superseding part
	// those of the part at which its path starts.
	Uses []*fitmentv1.Part_Application
	// Via tells how the part was found.
	Via fitmentv1.PartMatch_Via
	// Replaces is the number it replaces, the one before it on the path, for a
	// superseding part.
	Replaces string
	// Path lists the numbers on the way from the part with the application to
	// this one, old number first, both ends included; empty for an own
	// application.
	Path []string
	// Reason says why, in words.
	Reason string

	// doubt is what an open application of its own waits for.
	doubt string
}

// Rights is the answer to which parts are right for a need.
type Rights struct {
	// Matches are in order of maker and number, each part once.
	Matches []Match
	// Cut says why there may be parts that are not listed; empty where there are
	// none. A number that is not among the matches is then not excluded.
	Cut string
}

// Right returns the matches of Rights.
func (c *Catalogue) Right(need *fitmentv1.Need) []Match { return c.Rights(need).Matches }

// Rights returns the parts for a need's vehicle, kind and position, by their own
// application or because they replace, in one step or several, a part with such an
// application. Parts that are definitely not for the vehicle are left out. A need
// without make, model or kind finds nothing.
//
// A part that replaces others is right where a way leads to it from a part with
// an application; the answer is the conjunction of that application and the way,
// and where ways lead from several such parts the best of them. The way goes only
// over numbers that may be fitted in the place asked for: what the catalogue knows
// as another kind of part, or as made for other positions, ends it. The numbers on
// the way need no application of their own.
func (c *Catalogue) Rights(need *fitmentv1.Need) Rights {
	found, _ := c.rights(need)
	return found
}

// rights also returns the supersessions that were looked at.
func (c *Catalogue) rights(need *fitmentv1.Need) (found Rights, looked []*link) {
	position := names.NeedPosition(need)
	use := useKey{
		make: Fold(need.GetVehicle().GetMake()), model: Fold(need.GetVehicle().GetModel()),
		kind: need.GetKind(), row: position.GetRow(), side: position.GetSide(),
	}
	if use.make == "" || use.model == "" || use.kind == fitmentv1.Part_KIND_UNSPECIFIED {
		return Rights{}, nil
	}
	for _, part := range c.candidates(use) {
		if match, ok := applied(part, need.GetVehicle(), position); ok {
			found.Matches = append(found.Matches, match)
		}
	}
	slices.SortFunc(found.Matches, compareMatches)
	if w, roots := c.replacing(found.Matches, need, position); w != nil {
		found.Matches, found.Cut, looked = append(found.Matches, w.replacements(roots)...), w.cut, w.looked
	}
	slices.SortStableFunc(found.Matches, compareMatches)
	found.Matches = slices.CompactFunc(found.Matches, func(a, b Match) bool { return comparePart(a.Part, b.Part) == 0 })
	return found, looked
}

// candidates lists the parts posted for a use, and those that name no position.
func (c *Catalogue) candidates(use useKey) []*fitmentv1.Part {
	if use.row == 0 || use.side == 0 || names.OneOnly(use.kind) {
		use.row, use.side = 0, 0
		return c.byUse[use]
	}
	at := c.byUse[use]
	use.row, use.side = 0, 0
	all := c.byUse[use]
	if len(all) == len(at) {
		return at
	}
	found := slices.Clone(at)
	for _, part := range all {
		if len(part.GetPositions()) == 0 {
			found = append(found, part)
		}
	}
	return found
}

// compareMatches orders by part, a proven application before an open one, an own
// application before a supersession.
func compareMatches(a, b Match) int {
	return cmp.Or(comparePart(a.Part, b.Part), cmp.Compare(a.Application, b.Application), cmp.Compare(a.Via, b.Via))
}

func comparePart(a, b *fitmentv1.Part) int {
	left, _ := key(a.GetMaker(), a.GetNumber())
	right, _ := key(b.GetMaker(), b.GetNumber())
	return cmp.Or(strings.Compare(left.maker, right.maker), strings.Compare(left.number, right.number))
}

// applied matches one part's applications against a vehicle.
func applied(part *fitmentv1.Part, vehicle *fitmentv1.Vehicle, position *fitmentv1.Position) (Match, bool) {
	answer, uses := Applies(part, vehicle)
	answer = evidence.And(answer, MadeFor(part, position))
	if answer == evidence.No {
		return Match{}, false
	}
	match := Match{
		Part: part, Application: answer, Uses: uses,
		Via: fitmentv1.PartMatch_APPLICATION, Reason: "the catalogue lists the vehicle for this part",
	}
	if answer != evidence.Yes {
		match.doubt = openQuestion(uses, vehicle, position) + " is not known"
		match.Reason += ", but " + match.doubt
	}
	return match, true
}

// MadeFor tells whether a part is made for a position: Unknown where the position
// is not known or the part names none, unless a vehicle has only one such part.
func MadeFor(part *fitmentv1.Part, position *fitmentv1.Position) evidence.Answer {
	switch {
	case names.OneOnly(part.GetKind()):
		return evidence.Yes
	case position.GetRow() == 0 || position.GetSide() == 0 || len(part.GetPositions()) == 0:
		return evidence.Unknown
	}
	for _, p := range part.GetPositions() {
		if p.GetRow() == position.GetRow() && p.GetSide() == position.GetSide() {
			return evidence.Yes
		}
	}
	return evidence.No
}

// Applies tells whether a part is for a vehicle, by its applications alone, and
// returns those that are not excluded. A part without applications answers
// Unknown. Where single applications are open but every completion of the
// vehicle's drive side and build date has one that holds (a part with a line for
// each drive side), the answer is Yes.
func Applies(part *fitmentv1.Part, vehicle *fitmentv1.Vehicle) (evidence.Answer, []*fitmentv1.Part_Application) {
	if len(part.GetApplications()) == 0 {
		return evidence.Unknown, nil
	}
	answer := evidence.No
	var uses []*fitmentv1.Part_Application
	for _, a := range part.GetApplications() {
		one := Covers(a, vehicle)
		answer = evidence.Or(answer, one)
		if one != evidence.No {
			uses = append(uses, a)
		}
	}
	if answer == evidence.Unknown && len(uses) > 1 {
		answer = together(uses, vehicle)
	}
	return answer, uses
}

// together tells whether open applications cover a vehicle between them, whatever
// its drive side and build date are.
func together(uses []*fitmentv1.Part_Application, vehicle *fitmentv1.Vehicle) evidence.Answer {
	days := []string{vehicle.GetBuildDate()}
	if vehicle.GetBuildDate() == "" {
		days = turningDays(uses)
	}
	return evidence.Unanimous(func(left []evidence.Answer) evidence.Answer {
		v := proto.CloneOf(vehicle)
		if v == nil {
			v = &fitmentv1.Vehicle{}
		}
		if v.GetDriveSide() == fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED {
			v.DriveSide = fitmentv1.Vehicle_RIGHT
			if left[0] == evidence.Yes {
				v.DriveSide = fitmentv1.Vehicle_LEFT
			}
		}
		every := evidence.Yes
		for _, day := range days {
			v.BuildDate = day
			some := evidence.No
			for _, a := range uses {
				some = evidence.Or(some, Covers(a, v))
			}
			every = evidence.And(every, some)
		}
		if every == evidence.No { // some days hold and some do not: open, not excluded
			return evidence.Unknown
		}
		return every
	}, 1)
}

// turningDays lists days of which at least one lies in every stretch of time that
// the applications' build dates tell apart.
func turningDays(uses []*fitmentv1.Part_Application) []string {
	days := []string{"1950-01-01"}
	for _, a := range uses {
		if from, err := time.Parse(time.DateOnly, a.GetBuiltFrom()); err == nil {
			days = append(days, a.GetBuiltFrom(), from.AddDate(0, 0, -1).Format(time.DateOnly))
		}
		if to, err := time.Parse(time.DateOnly, a.GetBuiltTo()); err == nil {
			days = append(days, a.GetBuiltTo(), to.AddDate(0, 0, 1).Format(time.DateOnly))
		}
	}
	return days
}

// Covers tells whether an application covers a vehicle. What the application does
// not limit does not matter; what it limits and the vehicle does not state is
// Unknown.
func Covers(a *fitmentv1.Part_Application, v *fitmentv1.Vehicle) evidence.Answer {
	return evidence.And(
		Same(a.GetMake(), v.GetMake()),
		Same(a.GetModel(), v.GetModel()),
		yearIn(a.GetYearFrom(), a.GetYearTo(), v.GetModelYear()),
		Same(a.GetBody(), v.GetBody()),
		sideIs(a.GetDriveSide(), v.GetDriveSide()),
		Same(a.GetMarket(), v.GetMarket()),
		BuiltIn(a, v.GetBuildDate()),
	)
}

// Same compares a limit in words with a value: no limit is Yes, no value is
// Unknown.
func Same(limit, value string) evidence.Answer {
	switch {
	case Fold(limit) == "":
		return evidence.Yes
	case Fold(value) == "":
		return evidence.Unknown
	}
	return evidence.Of(Fold(limit) == Fold(value))
}

// yearIn compares closed limits, 0 for none, with a model year, 0 for not known.
func yearIn(from, to, year int32) evidence.Answer {
	switch {
	case from == 0 && to == 0:
		return evidence.Yes
	case year == 0:
		return evidence.Unknown
	}
	return evidence.Of((from == 0 || year >= from) && (to == 0 || year <= to))
}

func sideIs(limit, side fitmentv1.Vehicle_DriveSide) evidence.Answer {
	switch {
	case limit == fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED:
		return evidence.Yes
	case side == fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED:
		return evidence.Unknown
	}
	return evidence.Of(limit == side)
}

// Split tells whether an application is limited to builds from or up to a day.
func Split(a *fitmentv1.Part_Application) bool { return a.GetBuiltFrom() != "" || a.GetBuiltTo() != "" }

// BuiltIn compares an application's build dates, both inclusive, with a vehicle's
// build date. A date that cannot be read decides nothing.
func BuiltIn(a *fitmentv1.Part_Application, built string) evidence.Answer {
	return builtIn(a.GetBuiltFrom(), a.GetBuiltTo(), built)
}

// openQuestion names the first thing about a vehicle that its applications ask
// for and that is not known.
func openQuestion(uses []*fitmentv1.Part_Application, v *fitmentv1.Vehicle, position *fitmentv1.Position) string {
	for _, a := range uses {
		switch {
		case yearIn(a.GetYearFrom(), a.GetYearTo(), v.GetModelYear()) == evidence.Unknown:
			return "the vehicle's model year"
		case BuiltIn(a, v.GetBuildDate()) == evidence.Unknown:
			return "the vehicle's build date"
		case Same(a.GetBody(), v.GetBody()) == evidence.Unknown:
			return "the vehicle's body"
		case sideIs(a.GetDriveSide(), v.GetDriveSide()) == evidence.Unknown:
			return "the side of the vehicle's steering wheel"
		case Same(a.GetMarket(), v.GetMarket()) == evidence.Unknown:
			return "the market the vehicle was built for"
		}
	}
	if position.GetRow() == 0 || position.GetSide() == 0 {
		return "the seating position"
	}
	return "the position that the part is made for"
}
