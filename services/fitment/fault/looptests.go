package fault

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Short names for what a module says of a loop, and for what a test shows.
const (
	openState  = fitmentv1.LoopTest_OPEN_OR_HIGH
	lowState   = fitmentv1.LoopTest_LOW_OR_SHORTED
	noCode     = fitmentv1.LoopTest_NO_CODE
	otherState = fitmentv1.LoopTest_OTHER_CODE

	partOrContact   = fitmentv1.LoopTestReport_PART_OR_CONTACT
	harnessOrModule = fitmentv1.LoopTestReport_HARNESS_OR_MODULE
	showsNothing    = fitmentv1.LoopTestReport_NOTHING
)

// verdict is one row of a decision table.
type verdict struct {
	method        fitmentv1.LoopTest_Method
	before, after []fitmentv1.LoopTest_State
	finding       fitmentv1.LoopTestReport_Finding
	reason        string
	source        string
}

// Where rows of the decision tables are from.
const (
	unplugSource = "a maker's service notes and a trade paper of 2018: a true code for open or high turns into one for low when the part is unplugged, if the harness is good"
	loadSource   = "a maker's service text and a trade paper of 2018: with a load equal to the squib the code is gone where the inflator is at fault, and stays where harness or module is"
	clipSource   = "follows from the clip that shorts the pins on unmating (a maker's service notes)"
	practice     = "common practice, no source"
)

type states = []fitmentv1.LoopTest_State

// verdicts are the decision tables; the first row that fits a test counts. A pair
// of states that no row names is one that the test cannot give while everything
// else stays as it was.
var verdicts = []verdict{
	{
		fitmentv1.LoopTest_UNPLUG,
		states{openState},
		states{lowState},
		partOrContact,
		"The open or high loop turned low when the part was unplugged: the module sees the closed clip, so the harness is good, and the part or its contacts are suspect.", unplugSource,
	},
	{
		fitmentv1.LoopTest_UNPLUG,
		states{openState},
		states{openState},
		harnessOrModule,
		"The loop stayed open or high with the part unplugged: the module does not see the closed clip, so the way to it is at fault: harness, clip or module.", unplugSource,
	},
	{
		fitmentv1.LoopTest_UNPLUG,
		states{lowState},
		states{lowState},
		showsNothing,
		"The closed clip reads low by itself, so the outcome is the same whatever is at fault. A plug that sits badly gives this code as well: see that it is home, or make the substitute-load test.", clipSource,
	},
	{
		fitmentv1.LoopTest_UNPLUG,
		states{noCode},
		states{lowState},
		showsNothing,
		"The module saw no fault before and sees the closed clip now, as a sound loop does: the fault, if there is one, was not there during the test.", clipSource,
	},
	{
		fitmentv1.LoopTest_UNPLUG,
		states{otherState},
		states{lowState},
		partOrContact,
		"The other code was gone with the part unplugged and the closed clip is seen: the fault left with the part or its contacts.", practice,
	},
	{
		fitmentv1.LoopTest_UNPLUG,
		states{otherState},
		states{otherState},
		harnessOrModule,
		"The code stayed with the part unplugged: it comes from the harness or the module.", practice,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{openState, lowState, otherState},
		states{noCode},
		partOrContact,
		"The code did not come back with a substitute load in the part's place: the part is suspect, or its contacts, which were moved.", loadSource,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{openState},
		states{openState},
		harnessOrModule,
		"The code stayed with a substitute load in the part's place: harness or module is at fault, not the part.", loadSource,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{lowState},
		states{lowState},
		harnessOrModule,
		"The code stayed with a substitute load in the part's place: harness or module is at fault, not the part. See that the load sits well, for a clip that stays closed reads low too.", loadSource,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{otherState},
		states{otherState},
		harnessOrModule,
		"The code stayed with a substitute load in the part's place: harness or module is at fault, not the part.", loadSource,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{noCode},
		states{noCode},
		showsNothing,
		"The module saw no fault with the part and none with the load: the fault, if there is one, was not there during the test.", practice,
	},
	{
		fitmentv1.LoopTest_SUBSTITUTE_LOAD,
		states{noCode},
		states{openState, lowState, otherState},
		showsNothing,
		"The load brought a code that the part did not: the load, or how it was fitted, is at fault. Fit it again.", practice,
	},
}

// contradictory is the reason of a test that no row is about.
var contradictory = map[fitmentv1.LoopTest_Method]string{
	fitmentv1.LoopTest_UNPLUG:          "With the part out and the clip closed a module that sees the loop reports low or shorted, or goes on with the code that it had; this it did neither. See that the clip is there and closes, that the code is not an old one, and test again.",
	fitmentv1.LoopTest_SUBSTITUTE_LOAD: "The load changed the code into another one, which a sound load cannot do: see that the load is the right one and that its plug is home, and test again.",
}

// judgeTest judges a test by the decision tables; index is its place in the
// request.
func judgeTest(index int, t *fitmentv1.LoopTest) *fitmentv1.LoopTestReport {
	report := &fitmentv1.LoopTestReport{Index: int32(index), Finding: showsNothing}
	reason, known := contradictory[t.GetMethod()]
	if !known || !stated(t.GetBefore()) || !stated(t.GetAfter()) {
		report.Reason, report.Source = "What was done, or what the module said before or after, is not stated, so it shows nothing.", practice
		return report
	}
	at := slices.IndexFunc(verdicts, func(v verdict) bool {
		return v.method == t.GetMethod() && slices.Contains(v.before, t.GetBefore()) && slices.Contains(v.after, t.GetAfter())
	})
	if at < 0 {
		report.Reason, report.Source = reason, practice
		return report
	}
	report.Finding, report.Reason, report.Source = verdicts[at].finding, verdicts[at].reason, verdicts[at].source
	return report
}

func stated(s fitmentv1.LoopTest_State) bool {
	return s >= openState && s <= otherState
}
