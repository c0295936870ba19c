package reference

import (
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// world is a vehicle of which everything is known.
type world struct {
	year                       int32
	built, body, market, plant string
	side                       fitmentv1.Vehicle_DriveSide
	options                    []string // those that the vehicle has
}

// elsewhere is a word that no catalogue uses.
const elsewhere = "\x00elsewhere"

// worldsOf lists the vehicles that may be meant: every combination of what is not
// known of the vehicle, tried on both sides of every limit that the catalogue
// knows.
func worldsOf(v *fitmentv1.Vehicle, facts *Facts) []world {
	l := limitsOf(facts)
	list := []world{{}}
	each := func(n int, set func(w *world, i int)) {
		next := make([]world, 0, n*len(list))
		for _, w := range list {
			for i := range n {
				one := w
				set(&one, i)
				next = append(next, one)
			}
		}
		list = next
	}
	years := []int32{v.GetModelYear()}
	if v.GetModelYear() == 0 {
		years = l.years
	}
	each(len(years), func(w *world, i int) { w.year = years[i] })
	days := []string{v.GetBuildDate()}
	if v.GetBuildDate() == "" {
		days = l.days
	}
	each(len(days), func(w *world, i int) { w.built = days[i] })
	sides := []fitmentv1.Vehicle_DriveSide{v.GetDriveSide()}
	if v.GetDriveSide() == 0 {
		sides = []fitmentv1.Vehicle_DriveSide{fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT}
	}
	each(len(sides), func(w *world, i int) { w.side = sides[i] })
	bodies := known(v.GetBody(), l.bodies)
	each(len(bodies), func(w *world, i int) { w.body = bodies[i] })
	markets := known(v.GetMarket(), l.markets)
	each(len(markets), func(w *world, i int) { w.market = markets[i] })
	plants := known(v.GetPlant(), l.plants)
	each(len(plants), func(w *world, i int) { w.plant = plants[i] })
	has := foldAll(v.GetOptions())
	each(1, func(w *world, _ int) { w.options = has })
	if !v.GetOptionsComplete() {
		for _, option := range l.options {
			if slices.Contains(has, option) {
				continue
			}
			each(2, func(w *world, i int) {
				if i == 1 {
					w.options = append(slices.Clone(w.options), option)
				}
			})
		}
	}
	return list
}

// known is a word where it is stated, otherwise everything that it may be.
func known(stated string, otherwise []string) []string {
	if word := fold(stated); word != "" {
		return []string{word}
	}
	return otherwise
}

func foldAll(list []string) []string {
	folded := make([]string, 0, len(list))
	for _, word := range list {
		folded = append(folded, fold(word))
	}
	return folded
}

// limits are the values on both sides of everything that applications and
// supersessions depend on.
type limits struct {
	years                                  []int32
	days, bodies, markets, plants, options []string
}

func limitsOf(facts *Facts) limits {
	l := limits{years: []int32{1900}, days: []string{"1900-01-01"}, bodies: []string{elsewhere}, markets: []string{elsewhere}, plants: []string{elsewhere}}
	span := func(from, to int32) {
		if from != 0 {
			l.years = append(l.years, from-1, from)
		}
		if to != 0 {
			l.years = append(l.years, to, to+1)
		}
	}
	built := func(from, to string) {
		l.days = append(l.days, around(from, -1)...)
		l.days = append(l.days, around(to, 1)...)
	}
	word := func(list *[]string, text string) {
		if text = fold(text); text != "" {
			*list = append(*list, text)
		}
	}
	for _, p := range facts.Parts {
		for _, a := range p.GetApplications() {
			span(a.GetYearFrom(), a.GetYearTo())
			built(a.GetBuiltFrom(), a.GetBuiltTo())
			word(&l.bodies, a.GetBody())
			word(&l.markets, a.GetMarket())
		}
	}
	for _, s := range facts.Supersessions {
		span(s.GetYearFrom(), s.GetYearTo())
		built(s.GetBuiltFrom(), s.GetBuiltTo())
		word(&l.markets, s.GetMarket())
		word(&l.plants, s.GetPlant())
		l.options = append(l.options, foldAll(s.GetOptions())...)
	}
	slices.Sort(l.years)
	l.years = slices.Compact(l.years)
	for _, list := range []*[]string{&l.days, &l.bodies, &l.markets, &l.plants, &l.options} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
	return l
}

// around is a day and the one before or after it; nothing where there is no day.
func around(day string, step int) []string {
	d, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return nil
	}
	return []string{day, d.AddDate(0, 0, step).Format(time.DateOnly)}
}

// within tells whether a year lies between limits of which 0 is none.
func within(from, to, year int32) bool {
	return (from == 0 || year >= from) && (to == 0 || year <= to)
}

// since tells whether a day lies between limits of which the empty one is none.
func since(from, to, day string) bool {
	return (from == "" || day >= from) && (to == "" || day <= to)
}

// is tells whether a word is the one asked for, where one is.
func is(limit, word string) bool {
	limit = fold(limit)
	return limit == "" || limit == word
}

// lists tells whether an application is for a vehicle of this world.
func (w *world) lists(a *fitmentv1.Part_Application) bool {
	return within(a.GetYearFrom(), a.GetYearTo(), w.year) && since(a.GetBuiltFrom(), a.GetBuiltTo(), w.built) &&
		(a.GetDriveSide() == 0 || a.GetDriveSide() == w.side) && is(a.GetBody(), w.body) && is(a.GetMarket(), w.market)
}

// allows tells whether a supersession holds for a vehicle of this world.
func (w *world) allows(s *fitmentv1.Supersession) bool {
	if !within(s.GetYearFrom(), s.GetYearTo(), w.year) || !since(s.GetBuiltFrom(), s.GetBuiltTo(), w.built) ||
		!is(s.GetMarket(), w.market) || !is(s.GetPlant(), w.plant) {
		return false
	}
	for _, option := range s.GetOptions() {
		if !slices.Contains(w.options, fold(option)) {
			return false
		}
	}
	return true
}

// set is a set of worlds, a bit for each.
type set []uint64

// where lists the worlds in which something holds.
func where(worlds []world, holds func(*world) bool) set {
	s := make(set, (len(worlds)+63)/64)
	for i := range worlds {
		if holds(&worlds[i]) {
			s[i/64] |= 1 << (i % 64)
		}
	}
	return s
}

// count is the number of worlds in the set.
func (s set) count() int {
	n := 0
	for _, word := range s {
		for ; word != 0; word &= word - 1 {
			n++
		}
	}
	return n
}

// add puts the worlds of a that are also in b into the set, and tells whether it
// has grown.
func (s set) add(a, b set) bool {
	grown := false
	for i := range s {
		more := a[i] & b[i] &^ s[i]
		s[i] |= more
		grown = grown || more != 0
	}
	return grown
}

// sameName tells whether two names are the same and say something.
func sameName(a, b string) bool { return fold(a) == fold(b) && strings.TrimSpace(a) != "" }
