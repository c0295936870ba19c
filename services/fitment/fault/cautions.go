package fault

import (
	"fmt"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Wait is a wait that some service data demands between disconnecting the
// battery and touching a restraint part.
type Wait struct {
	// Minutes is how long.
	Minutes float64
	// Note says of what it is told.
	Note string
}

// Waits returns the waits that are known, shortest first. They belong to single
// makers and years; none is a rule for another vehicle.
func Waits() []Wait {
	const source = "maker's service data"
	return []Wait{
		{10.0 / 60, source},
		{0.5, source},
		{1, source + "; for one car of 1993 only where the positive lead is the one taken off"},
		{1.5, source},
		{2, source},
		{10, source},
		{15, source + "; one car of 1993, ground lead taken off"},
		{20, source},
	}
}

// longestWait is what an unknown vehicle gets.
func longestWait() float64 {
	longest := 0.0
	for _, w := range Waits() {
		longest = max(longest, w.Minutes)
	}
	return longest
}

// cautions are shown with every assessment.
func cautions(readings []*fitmentv1.Reading) []string {
	wait := longestWait()
	list := []string{
		"Work by the vehicle maker's procedure and by local rules; they come before anything said here, and where they ask for a licensed person, that person does the work.",
		"Makers' service literature forbids an ohmmeter on an undeployed air bag or pretensioner, even a disconnected one. Use the value that the module reports, or a substitute load on the harness side.",
		"Waiting never makes a part safe: an undeployed air bag or pretensioner counts as live however long the battery has been off.",
		fmt.Sprintf("The wait for this vehicle is not in our data. The longest that we know of is %s minutes after the battery is disconnected; wait at least that long, or longer where the maker's procedure says so.", show(wait)),
	}
	for i, r := range readings {
		if r == nil || fromModule(r.GetMethod()) {
			continue
		}
		switch {
		case r.BatteryOffMinutes == nil:
			list = append(list, fmt.Sprintf("Reading %d does not say how long the battery had been off.", i+1))
		case r.GetBatteryOffMinutes() < wait:
			list = append(list, fmt.Sprintf("Reading %d was taken %s minutes after the battery was disconnected, sooner than the longest wait that we know of.", i+1, show(r.GetBatteryOffMinutes())))
		}
		if r.GetMethod() == fitmentv1.Reading_METER_AT_COMPONENT {
			list = append(list, fmt.Sprintf("Reading %d was taken at the part itself. It is judged because it exists; do not repeat it on a live part, and see that the shorting clip is back in place.", i+1))
		}
	}
	return list
}
