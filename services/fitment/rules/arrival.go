package rules

import (
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// cautions are due on every decision.
func cautions(kind fitmentv1.Part_Kind) []string {
	list := []string{
		"The vehicle maker's procedure, local codes and licensed practice come before anything said here.",
		"Some vehicle makers rule out parts from another vehicle, and some places regulate their sale or reuse: both were weighed only as far as they are on record here.",
		"Disconnect the battery and wait as long as the vehicle's maker says; waiting never makes a live part safe.",
	}
	if HasSquib(kind) {
		list = append(list,
			"Treat the part as live: carry and store it as its maker says, and never put a meter on its squib.",
			"A part that has been replaced is still live and is disposed of by the rules for such waste.")
	}
	return list
}

// arrival is a check due on arrival and what it looks at.
type arrival struct {
	*fitmentv1.ArrivalCheck

	about []Attribute
}

// The checks due on arrival.
var (
	arrivalLabel = arrival{&fitmentv1.ArrivalCheck{
		Check:  "Read the part's own label.",
		Pass:   "Maker and number are those decided on, and the label is the part's own and undamaged.",
		Source: "Rhode Island § 31-53-5; New Zealand LVRC bulletin 2",
	}, []Attribute{aNumber, aMaker, aLegible, aMade}}
	arrivalConnector = arrival{&fitmentv1.ArrivalCheck{
		Check:  "Hold the connector beside the vehicle's, without joining them.",
		Pass:   "Interface, keying and number of cavities are the same, the lead is uncut, and no contact is bent or corroded.",
		Source: fromISO19072,
	}, []Attribute{aInterface, aKeying, aCavities, aPigtail, aDamage}}
	arrivalLook = arrival{&fitmentv1.ArrivalCheck{
		Check:  "Look for signs of deployment, water, heat and damage.",
		Pass:   "There are none.",
		Source: "Rhode Island § 31-53-3; New Zealand LVRC bulletin 2",
	}, []Attribute{aMarks, aFlood, aFire, aDamage}}
	arrivalClip = arrival{&fitmentv1.ArrivalCheck{
		Check:  "Look into the connector for the shorting clip.",
		Pass:   "It is there, whole, and bridges the contacts while the connector is open.",
		Source: fromClip,
	}, []Attribute{aClip}}
	arrivalLoop = arrival{&fitmentv1.ArrivalCheck{
		Check:  "Prove the harness first with the maker's substitute load in the part's place, then fit the part by the maker's procedure and let the restraint module report the loop. Never put a meter on a live squib.",
		Pass:   "With the substitute load the module reports the loop in range; with the part fitted it again reports the loop in range, and no code comes back.",
		Source: "vehicle makers' service texts and trade papers (substitute load); service texts of three makers forbid ohmmeters on live squibs",
	}, []Attribute{aLoop}}
	arrivalBelt = arrival{&fitmentv1.ArrivalCheck{ //nolint:gosec // "Pass" is what must be seen, no password
		Check:  "Look over webbing, tongue, buckle and anchors, and let the buckle latch and release.",
		Pass:   "There is no cut, fray, melted or stretched place, and the buckle latches and releases every time. Marks on the webbing alone prove nothing either way.",
		Source: "vehicle makers' service texts; SAE 1999-01-0441 (marks of normal use resemble loading marks)",
	}, []Attribute{aDamage}}
)

// arrivals are what to check before a part is fitted.
func arrivals(kind fitmentv1.Part_Kind) []arrival {
	checks := []arrival{arrivalLabel, arrivalConnector, arrivalLook}
	if HasSquib(kind) {
		checks = append(checks, arrivalClip, arrivalLoop)
		if isBelt(kind) {
			checks = append(checks, arrivalBelt)
		}
	}
	return checks
}

// arrivalChecks are the same for a decision.
func arrivalChecks(kind fitmentv1.Part_Kind) []*fitmentv1.ArrivalCheck {
	due := arrivals(kind)
	list := make([]*fitmentv1.ArrivalCheck, 0, len(due))
	for _, one := range due {
		list = append(list, proto.CloneOf(one.ArrivalCheck))
	}
	return list
}

// ArrivalAttributes are the attributes of a part that a check due on arrival looks
// at, the check as decisions word it; nil where no decision words one so.
func ArrivalAttributes(check string) []fitmentv1.Evidence_Attribute {
	for _, one := range []arrival{arrivalLabel, arrivalConnector, arrivalLook, arrivalClip, arrivalLoop, arrivalBelt} {
		if one.GetCheck() == check {
			return slices.Clone(one.about)
		}
	}
	return nil
}

// cameBack warns of a part that failed somebody's arrival check.
func cameBack(listing *fitmentv1.Listing) []string {
	report := listing.GetReturnReport()
	if report == nil {
		return nil
	}
	day := ""
	if t := report.GetReportTime(); t.IsValid() {
		day = " on " + t.AsTime().UTC().Format(time.DateOnly)
	}
	return []string{"This part came back from a buyer" + day + ": it failed its arrival check. What failed: " + strings.Join(report.GetFailedChecks(), " ")}
}
