package reference

import (
	"cmp"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Question is a need with what follows from it and the facts alone.
type Question struct {
	need   *fitmentv1.Need
	facts  *Facts
	worlds []world
	// steps are the supersessions with the worlds in which each holds.
	steps []step
	// place is where the part belongs; zero fields are not known.
	place  place
	rights []right
	// replaced and replacedMaker name the part that is to be replaced, as far as
	// they are known.
	replaced, replacedMaker string
}

// place is a seating position.
type place struct {
	row  int32
	side fitmentv1.Position_Side
}

func placeOf(p *fitmentv1.Position) place { return place{p.GetRow(), p.GetSide()} }

// whole tells whether row and side are both known.
func (p place) whole() bool { return p.row != 0 && p.side != 0 }

func (p place) text() string { return seat(&fitmentv1.Position{Row: p.row, Side: p.side}) }

// step is a supersession.
type step struct {
	maker, from, to string
	holds           set
}

// right is a part that is, or may be, right for the need.
type right struct {
	part          *fitmentv1.Part
	maker, number string
	// proven is Yes where it is right in every world, otherwise Unknown.
	proven Answer
	// uses are the applications that speak for it: its own, or those of the part
	// from which supersessions lead to it.
	uses []*fitmentv1.Part_Application
	// steps is how many supersessions lead to it; 0 for an application of its own.
	steps int
}

// For works out what follows from a need and the facts.
func For(need *fitmentv1.Need, facts *Facts) *Question {
	q := &Question{
		need: need, facts: facts, worlds: worldsOf(need.GetVehicle(), facts), place: needPlace(need),
		replaced: partNumber(need.GetPartNumber()), replacedMaker: fold(need.GetPartMaker()),
	}
	for _, s := range facts.Supersessions {
		q.steps = append(q.steps, step{
			fold(s.GetMaker()), partNumber(s.GetOldNumber()), partNumber(s.GetNewNumber()),
			where(q.worlds, func(w *world) bool { return w.allows(s) }),
		})
	}
	q.rights = q.findRights()
	return q
}

// needPlace is where the part belongs: as stated, but for front air bags, which
// the drive side puts behind the steering wheel or on the other side of it.
func needPlace(need *fitmentv1.Need) place {
	stated, drive := placeOf(need.GetPosition()), need.GetVehicle().GetDriveSide()
	var side fitmentv1.Position_Side
	switch {
	case drive == 0, need.GetKind() != fitmentv1.Part_DRIVER_AIR_BAG && need.GetKind() != fitmentv1.Part_PASSENGER_AIR_BAG:
		return stated
	case (drive == fitmentv1.Vehicle_LEFT) == (need.GetKind() == fitmentv1.Part_DRIVER_AIR_BAG):
		side = fitmentv1.Position_LEFT
	default:
		side = fitmentv1.Position_RIGHT
	}
	if follows := (place{1, side}); stated == (place{}) || stated == follows {
		return follows
	}
	return place{} // contradicts the drive side
}

// single tells whether a vehicle has one part of a kind only.
func single(kind fitmentv1.Part_Kind) bool {
	return kind == fitmentv1.Part_CONTROL_MODULE || kind == fitmentv1.Part_CLOCK_SPRING
}

// madeFor tells whether a part is made for a place.
func madeFor(p *fitmentv1.Part, at place) Answer {
	switch {
	case single(p.GetKind()):
		return Yes
	case !at.whole() || len(p.GetPositions()) == 0:
		return Unknown
	}
	return truth(slices.ContainsFunc(p.GetPositions(), func(one *fitmentv1.Position) bool { return placeOf(one) == at }))
}

// listed tells in how many worlds the catalogue lists the vehicle for a part, and
// returns the applications that hold in at least one. A part without applications
// answers Unknown.
func (q *Question) listed(p *fitmentv1.Part) (Answer, []*fitmentv1.Part_Application) {
	if len(p.GetApplications()) == 0 {
		return Unknown, nil
	}
	v := q.need.GetVehicle()
	some := make(set, (len(q.worlds)+63)/64)
	var uses []*fitmentv1.Part_Application
	for _, a := range p.GetApplications() {
		if !sameName(a.GetMake(), v.GetMake()) || !sameName(a.GetModel(), v.GetModel()) {
			continue
		}
		holds := where(q.worlds, func(w *world) bool { return w.lists(a) })
		some.add(holds, holds)
		if holds.count() > 0 {
			uses = append(uses, a)
		}
	}
	return agreed(some.count(), len(q.worlds)), uses
}

// part finds a part by folded maker and number.
func (q *Question) part(maker, number string) *fitmentv1.Part {
	for _, p := range q.facts.Parts {
		if fold(p.GetMaker()) == maker && partNumber(p.GetNumber()) == number {
			return p
		}
	}
	return nil
}

// findRights lists the parts that are not excluded, in order of maker and number.
// A part is right by an application of its own, or because supersessions lead to it
// from one that has one; the surer of the two counts, then the application.
func (q *Question) findRights() []right {
	var found []right
	for _, p := range q.facts.Parts {
		if p.GetKind() != q.need.GetKind() || p.GetKind() == 0 || len(p.GetApplications()) == 0 {
			continue
		}
		answer, uses := q.listed(p)
		if answer = both(answer, madeFor(p, q.place)); answer != No {
			found = append(found, right{part: p, maker: fold(p.GetMaker()), number: partNumber(p.GetNumber()), proven: answer, uses: uses})
		}
	}
	slices.SortFunc(found, compareRights)
	found = append(found, q.following(found)...)
	slices.SortStableFunc(found, func(a, b right) int {
		return cmp.Or(compareRights(a, b), cmp.Compare(a.proven, b.proven)) // YES before UNKNOWN
	})
	return slices.CompactFunc(found, func(a, b right) bool { return compareRights(a, b) == 0 })
}

func compareRights(a, b right) int {
	return cmp.Or(strings.Compare(a.maker, b.maker), strings.Compare(a.number, b.number))
}

// mayBe tells whether a number may be fitted in the place asked for: what the
// catalogue holds as a part of another kind, or as made for other places, may not.
func (q *Question) mayBe(maker, number string) Answer {
	p := q.part(maker, number)
	switch {
	case p == nil || (p.GetKind() == q.need.GetKind() && len(p.GetPositions()) == 0):
		return Yes
	case p.GetKind() != q.need.GetKind():
		return No
	}
	return madeFor(p, q.place)
}

// following lists the numbers to which supersessions lead from the roots, by ways
// of one step or more over numbers that may be fitted: proven where from proven
// roots a way holds in every world, and left out where none holds in any.
func (q *Question) following(roots []right) []right {
	sure, perhaps := q.spread(roots, Yes), q.spread(roots, Unknown)
	var found []right
	for to, worlds := range perhaps {
		if worlds.count() == 0 {
			continue
		}
		r := q.over(roots, to.maker, to.number)
		r.proven = Unknown
		if sure[to] != nil && sure[to].count() == len(q.worlds) {
			r.proven = Yes
		}
		found = append(found, r)
	}
	return found
}

// name is a number of a maker.
type name struct{ maker, number string }

// spread is in which worlds a way leads to each number, from roots and over places
// that answer Yes, or, where the least that counts is Unknown, that too.
func (q *Question) spread(roots []right, least Answer) map[name]set {
	every := where(q.worlds, func(*world) bool { return true })
	start, reach := map[name]bool{}, map[name]set{}
	for _, r := range roots {
		if r.proven == Yes || least == Unknown {
			start[name{r.maker, r.number}] = true
		}
	}
	from := func(n name) set {
		if start[n] {
			return every
		}
		return reach[n]
	}
	for grown := true; grown; {
		grown = false
		for _, s := range q.steps {
			to, before := name{s.maker, s.to}, from(name{s.maker, s.from})
			if fits := q.mayBe(s.maker, s.to); before == nil || fits == No || (fits == Unknown && least == Yes) {
				continue
			}
			if reach[to] == nil {
				reach[to] = make(set, len(every))
			}
			grown = reach[to].add(before, s.holds) || grown
		}
	}
	return reach
}

// over finds the way that speaks for a number: the shortest of those of which every
// step is known to hold, otherwise the shortest of those that may hold, from the
// first root by maker and number that has one.
func (q *Question) over(roots []right, maker, number string) right {
	for _, least := range []Answer{Yes, Unknown} {
		best := right{steps: len(q.steps) + 1}
		for _, root := range roots {
			if root.maker != maker || (least == Yes && root.proven != Yes) {
				continue
			}
			if r, found := q.way(root, number, least); found && r.steps < best.steps {
				best = r
			}
		}
		if best.part != nil {
			return best
		}
	}
	return right{}
}

// way follows steps from a root, all at once, until it comes to a number.
func (q *Question) way(root right, number string, least Answer) (right, bool) {
	at := map[string][]*fitmentv1.Position{root.number: root.part.GetPositions()}
	for far := 1; far <= len(q.steps); far++ {
		next := map[string][]*fitmentv1.Position{}
		for _, s := range q.steps {
			fits := q.mayBe(s.maker, s.to)
			positions, reached := at[s.from]
			if s.maker != root.maker || !reached || s.holds.count() == 0 || fits == No ||
				(least == Yes && (s.holds.count() != len(q.worlds) || fits != Yes)) {
				continue
			}
			if p := q.part(s.maker, s.to); len(p.GetPositions()) > 0 {
				positions = p.GetPositions()
			}
			if _, twice := next[s.to]; !twice {
				next[s.to] = positions
			}
		}
		if positions, found := next[number]; found {
			p := q.part(root.maker, number)
			if p == nil { // of a part that the catalogue does not hold, the older ones tell
				p = &fitmentv1.Part{Maker: root.maker, Number: number, Kind: root.part.GetKind(), Positions: positions}
			}
			return right{part: p, maker: root.maker, number: number, uses: root.uses, steps: far}, true
		}
		at = next
	}
	return right{}, false
}

// replaces tells whether a number may be fitted where another one of the maker
// belongs, over any number of steps: a number replaces itself only where a way
// leads back to it.
func (q *Question) replaces(maker, newer, older string) Answer {
	reach := map[string]set{}
	every := where(q.worlds, func(*world) bool { return true })
	for grown := true; grown; {
		grown = false
		for _, s := range q.steps {
			from := reach[s.from]
			if s.from == older {
				from = every
			}
			if s.maker != maker || from == nil {
				continue
			}
			if reach[s.to] == nil {
				reach[s.to] = make(set, len(every))
			}
			grown = reach[s.to].add(from, s.holds) || grown
		}
	}
	if newer == "" || older == "" || reach[newer] == nil {
		return No
	}
	return agreed(reach[newer].count(), len(q.worlds))
}

// dialect is the dialect in which a vehicle's codes are written: of the rows about
// it that state one, the narrowest counts, with a model before one without, then
// the shorter span of years. It is empty where the models and years that the
// vehicle may be of disagree, or equally narrow rows do.
func (q *Question) dialect(v *fitmentv1.Vehicle) string {
	models, years := []string{fold(v.GetModel())}, []int32{v.GetModelYear()}
	if models[0] == "" {
		models[0] = elsewhere
		for _, row := range q.facts.Vehicles {
			models = append(models, fold(row.GetModel()))
		}
	}
	if years[0] == 0 {
		years[0] = 1900
		for _, row := range q.facts.Vehicles {
			years = append(years, row.GetYearFrom(), row.GetYearFrom()-1, row.GetYearTo(), row.GetYearTo()+1)
		}
	}
	said := map[string]bool{}
	for _, model := range models {
		for _, year := range years {
			said[q.dialectOf(fold(v.GetMake()), model, year)] = true
		}
	}
	if len(said) != 1 {
		return ""
	}
	for dialect := range said {
		return dialect
	}
	return ""
}

// dialectOf is the dialect of a vehicle whose make, model and year are known.
func (q *Question) dialectOf(brand, model string, year int32) string {
	best, narrowest := "", [2]int32{1 << 30, 1 << 30}
	for _, row := range q.facts.Vehicles {
		if brand == "" || fold(row.GetMake()) != brand || !is(row.GetModel(), model) || !within(row.GetYearFrom(), row.GetYearTo(), year) || row.GetDialect() == "" {
			continue
		}
		breadth := [2]int32{0, row.GetYearTo() - row.GetYearFrom()}
		if row.GetModel() == "" {
			breadth[0] = 1
		}
		switch {
		case row.GetYearFrom() == 0 && row.GetYearTo() == 0:
			breadth[1] = 1 << 29
		case row.GetYearFrom() == 0 || row.GetYearTo() == 0:
			breadth[1] = 1 << 28
		}
		switch slices.Compare(breadth[:], narrowest[:]) {
		case -1:
			best, narrowest = row.GetDialect(), breadth
		case 0:
			if best != row.GetDialect() {
				best = "" // a tie between rows that differ
			}
		}
	}
	return best
}
