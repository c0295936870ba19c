package catalogue

import (
	"slices"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// Holds tells whether a supersession's condition holds for a vehicle: years, build
// dates, market, plant and options, each Yes where the supersession does not limit
// it and Unknown where it does and the vehicle does not state it.
func Holds(s *fitmentv1.Supersession, vehicle *fitmentv1.Vehicle) evidence.Answer {
	return evidence.And(
		yearIn(s.GetYearFrom(), s.GetYearTo(), vehicle.GetModelYear()),
		builtIn(s.GetBuiltFrom(), s.GetBuiltTo(), vehicle.GetBuildDate()),
		Same(s.GetMarket(), vehicle.GetMarket()),
		Same(s.GetPlant(), vehicle.GetPlant()),
		hasOptions(s.GetOptions(), vehicle),
	)
}

// hasOptions tells whether a vehicle has all of the options.
func hasOptions(options []string, vehicle *fitmentv1.Vehicle) evidence.Answer {
	answer := evidence.Yes
	for _, option := range options {
		answer = evidence.And(answer, hasOption(option, vehicle))
	}
	return answer
}

// hasOption tells whether a vehicle has an option. One that it does not list it
// lacks only where its list is complete.
func hasOption(option string, vehicle *fitmentv1.Vehicle) evidence.Answer {
	code := Fold(option)
	has := func(other string) bool { return Fold(other) == code }
	switch {
	case slices.ContainsFunc(vehicle.GetOptions(), has):
		return evidence.Yes
	case vehicle.GetOptionsComplete():
		return evidence.No
	default:
		return evidence.Unknown
	}
}

// awaited names the first thing about a vehicle that a supersession's condition
// asks for and that is not known; empty where there is none.
func awaited(s *fitmentv1.Supersession, v *fitmentv1.Vehicle) string {
	for _, one := range []struct {
		answer evidence.Answer
		thing  string
	}{
		{yearIn(s.GetYearFrom(), s.GetYearTo(), v.GetModelYear()), "the vehicle's model year"},
		{builtIn(s.GetBuiltFrom(), s.GetBuiltTo(), v.GetBuildDate()), "the vehicle's build date"},
		{Same(s.GetMarket(), v.GetMarket()), "the market the vehicle was built for"},
		{Same(s.GetPlant(), v.GetPlant()), "the plant that built the vehicle"},
		{hasOptions(s.GetOptions(), v), "which options the vehicle has"},
	} {
		if one.answer == evidence.Unknown {
			return one.thing
		}
	}
	return ""
}

// builtIn compares build dates, both inclusive and empty for none, with a
// vehicle's build date. A date that cannot be read decides nothing.
func builtIn(from, to, built string) evidence.Answer {
	if from == "" && to == "" {
		return evidence.Yes
	}
	day, err := time.Parse(time.DateOnly, built)
	if err != nil {
		return evidence.Unknown
	}
	answer := evidence.Yes
	if from != "" {
		first, err := time.Parse(time.DateOnly, from)
		answer = evidence.And(answer, dated(err, !day.Before(first)))
	}
	if to != "" {
		last, err := time.Parse(time.DateOnly, to)
		answer = evidence.And(answer, dated(err, !day.After(last)))
	}
	return answer
}

func dated(err error, holds bool) evidence.Answer {
	if err != nil {
		return evidence.Unknown
	}
	return evidence.Of(holds)
}
