package catalogue

import (
	"slices"
	"time"

	"beltwright.example/services/fitment/evidence"
)

// wait is something about the vehicle that a step depends on.
type wait struct {
	// thing is its place among the things that are not known.
	thing int
	// holds tells for each value of the thing whether the step's condition holds.
	holds []bool
}

// things are what is not known of a vehicle and decides unknown steps: how many
// values each can take.
type things struct {
	values []int
	// options gives the place of each option.
	options map[string]int
}

// add adds a thing and returns its place.
func (t *things) add(values int) int {
	t.values = append(t.values, values)
	return len(t.values) - 1
}

// worlds is the number of completions, at most one above most.
func (t *things) worlds(most int) int {
	n := 1
	for _, values := range t.values {
		if n *= values; n > most {
			return most + 1
		}
	}
	return n
}

// next counts a completion on; false after the last.
func (t *things) next(world []int) bool {
	for i := range world {
		if world[i]++; world[i] < t.values[i] {
			return true
		}
		world[i] = 0
	}
	return false
}

// complete tries all completions of what is not known of the vehicle, and answers
// for each open number what they agree on.
func (w *walk) complete() {
	unknown, unsure := w.unknownThings()
	if len(unknown.values) == 0 {
		return
	}
	worlds := unknown.worlds(maxWorlds)
	if worlds > maxWorlds || worlds*len(w.steps) > maxTries {
		w.open = tooOpen
		return
	}
	world := make([]int, len(unknown.values))
	in := func(s *step) bool { return s.in(world) }
	surely := func(s *step) bool { return !s.stuck && s.in(world) }
	// all and none hold what every completion so far says of a number.
	all, none := make([]bool, len(w.nodes)), make([]bool, len(w.nodes))
	for i := range w.nodes {
		all[i] = w.nodes[i].answer == evidence.Unknown
		none[i] = all[i] && w.cut == ""
	}
	for more := true; more; more = unknown.next(world) {
		known := w.reach(view{holds: surely})
		possible := known
		if unsure {
			possible = w.reach(view{unsure: true, holds: in})
		}
		undecided := false
		for i := range w.nodes {
			all[i] = all[i] && known[i] >= 0
			none[i] = none[i] && possible[i] < 0
			undecided = undecided || all[i] || none[i]
		}
		if !undecided {
			return
		}
	}
	for i := range w.nodes {
		switch {
		case all[i]:
			w.nodes[i].answer = evidence.Yes
		case none[i]:
			w.nodes[i].answer = evidence.No
		}
	}
}

// in tells whether an unknown step's condition holds in a completion.
func (s *step) in(world []int) bool {
	for _, one := range s.waits {
		if !one.holds[world[one.thing]] {
			return false
		}
	}
	return true
}

// unknownThings lists what the walk's unknown steps wait for, and notes it in
// them; unsure tells whether something stays unknown in every completion.
func (w *walk) unknownThings() (found things, unsure bool) {
	found.options = map[string]int{}
	w.unknownSteps(func(s *step) { s.stuck = unreadable(s.GetBuiltFrom()) || unreadable(s.GetBuiltTo()) })
	w.years(&found)
	w.days(&found)
	w.words(&found, w.vehicle.GetMarket(), func(s *step) string { return s.GetMarket() })
	w.words(&found, w.vehicle.GetPlant(), func(s *step) string { return s.GetPlant() })
	w.options(&found)
	for i := range w.nodes {
		unsure = unsure || w.nodes[i].seed == evidence.Unknown || w.nodes[i].place == evidence.Unknown
	}
	for i := range w.steps {
		unsure = unsure || w.steps[i].stuck
	}
	return found, unsure
}

// unreadable tells whether a date is stated but is none.
func unreadable(day string) bool {
	_, err := time.Parse(time.DateOnly, day)
	return err != nil && day != ""
}

// unknownSteps calls do for each step whose condition is not known.
func (w *walk) unknownSteps(do func(*step)) {
	for i := range w.steps {
		if w.steps[i].holds != evidence.Yes {
			do(&w.steps[i])
		}
	}
}

// years adds the model year: its values are the stretches of years that the steps
// tell apart, each by its first year.
func (w *walk) years(found *things) {
	if w.vehicle.GetModelYear() != 0 {
		return
	}
	limited := func(s *step) bool { return s.GetYearFrom() != 0 || s.GetYearTo() != 0 }
	turns := []int32{beforeAll}
	w.unknownSteps(func(s *step) {
		if s.GetYearFrom() != 0 {
			turns = append(turns, s.GetYearFrom())
		}
		if s.GetYearTo() != 0 {
			turns = append(turns, s.GetYearTo()+1)
		}
	})
	addThing(w, found, turns, limited, func(s *step, year int32) bool { return inLimits(s.GetYearFrom(), s.GetYearTo(), year) })
}

// days adds the build date, likewise.
func (w *walk) days(found *things) {
	if _, err := time.Parse(time.DateOnly, w.vehicle.GetBuildDate()); err == nil {
		return
	}
	turns := []string{"0001-01-01"}
	w.unknownSteps(func(s *step) {
		from, errFrom := time.Parse(time.DateOnly, s.GetBuiltFrom())
		to, errTo := time.Parse(time.DateOnly, s.GetBuiltTo())
		if errFrom == nil {
			turns = append(turns, from.Format(time.DateOnly))
		}
		if errTo == nil {
			turns = append(turns, to.AddDate(0, 0, 1).Format(time.DateOnly))
		}
	})
	limited := func(s *step) bool { return s.GetBuiltFrom() != "" || s.GetBuiltTo() != "" }
	addThing(w, found, turns, limited, func(s *step, day string) bool {
		return builtIn(s.GetBuiltFrom(), s.GetBuiltTo(), day) != evidence.No
	})
}

// words adds a thing that is compared as text: its values are those that the
// steps name, and the empty one for any other.
func (w *walk) words(found *things, stated string, limit func(*step) string) {
	if Fold(stated) != "" {
		return
	}
	named := []string{""}
	w.unknownSteps(func(s *step) { named = append(named, Fold(limit(s))) })
	addThing(w, found, named, func(s *step) bool { return Fold(limit(s)) != "" }, func(s *step, word string) bool { return Fold(limit(s)) == word })
}

// options adds each option that is not known as a thing of its own.
func (w *walk) options(found *things) {
	w.unknownSteps(func(s *step) {
		for _, option := range s.GetOptions() {
			if hasOption(option, w.vehicle) != evidence.Unknown {
				continue
			}
			code := Fold(option)
			thing, known := found.options[code]
			if !known {
				thing = found.add(2)
				found.options[code] = thing
			}
			s.waits = append(s.waits, wait{thing, []bool{false, true}})
		}
	})
}

// addThing adds a thing of the values, each once, to the steps that it limits.
func addThing[V interface{ ~int32 | ~string }](w *walk, found *things, values []V, limited func(*step) bool, holds func(*step, V) bool) {
	slices.Sort(values)
	values = slices.Compact(values)
	thing := -1
	w.unknownSteps(func(s *step) {
		if !limited(s) {
			return
		}
		if thing < 0 {
			thing = found.add(len(values))
		}
		table := make([]bool, len(values))
		for i, value := range values {
			table[i] = holds(s, value)
		}
		s.waits = append(s.waits, wait{thing, table})
	})
}
