package fault

import (
	"fmt"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// cautions are shown with every assessment.
func cautions(readings []*fitmentv1.Reading, wait *fitmentv1.Wait) []string {
	list := []string{
		"Work by the vehicle maker's procedure and by local rules; they come before anything said here, and where they ask for a licensed person, that person does the work.",
		"Makers' service literature forbids an ohmmeter on an undeployed air bag or pretensioner, even a disconnected one. Use the value that the module reports, or a substitute load on the harness side.",
		"Waiting never makes a part safe: an undeployed air bag or pretensioner counts as live however long the battery has been off.",
		wait.GetText(),
	}
	whose := "the longest wait that we know of"
	if wait.GetOfThisVehicle() {
		whose = "this vehicle's wait"
	}
	for i, r := range readings {
		if r == nil || fromModule(r.GetMethod()) {
			continue
		}
		switch {
		case r.BatteryOffMinutes == nil:
			list = append(list, fmt.Sprintf("Reading %d does not say how long the battery had been off.", i+1))
		case r.GetBatteryOffMinutes() < wait.GetMinutes():
			list = append(list, fmt.Sprintf("Reading %d was taken %s after the battery was disconnected, sooner than %s.", i+1, minutes(r.GetBatteryOffMinutes()), whose))
		}
		if r.GetMethod() == fitmentv1.Reading_METER_AT_COMPONENT {
			list = append(list, fmt.Sprintf("Reading %d was taken at the part itself. It is judged because it exists; do not repeat it on a live part, and see that the shorting clip is back in place.", i+1))
		}
	}
	return list
}
