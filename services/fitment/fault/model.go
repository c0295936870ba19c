package fault

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Short names for the components; elsewhere stands for a fault in another loop.
const (
	part        = fitmentv1.Suspect_PART
	connector   = fitmentv1.Suspect_CONNECTOR
	harness     = fitmentv1.Suspect_HARNESS
	module      = fitmentv1.Suspect_MODULE
	measurement = fitmentv1.Suspect_MEASUREMENT
	other       = fitmentv1.Suspect_OTHER
	elsewhere   = fitmentv1.Suspect_COMPONENT_UNSPECIFIED
)

// inLoop are the components that each loop has of its own; module and other are
// there once.
var inLoop = []fitmentv1.Suspect_Component{part, connector, harness, measurement}

// numeric are the classes that a usable meter reading can have, in the order of
// the columns of a Row.
var numeric = []fitmentv1.ReadingReport_Class{
	fitmentv1.ReadingReport_OPEN, fitmentv1.ReadingReport_HIGH, fitmentv1.ReadingReport_IN_RANGE,
	fitmentv1.ReadingReport_LOW, fitmentv1.ReadingReport_SHORTED,
}

// Row is the chance of each outcome when one component is at fault. A row sums
// to 1, but for those of one column, which are the chance of something that may
// also not happen.
type Row []float64

// Table gives a row for each component at fault; the unspecified component
// stands for a fault in another loop.
type Table map[fitmentv1.Suspect_Component]Row

// Test is something that can be done next.
type Test struct {
	// ID names it.
	ID string
	// Text says what to do.
	Text string
	// Source says where the method is from.
	Source string
	// Minutes is its cost in work.
	Minutes float64
	// Preference multiplies what a minute of it is worth.
	Preference float64
	// Reading is the method of the reading that it gives, Unplug whether it is the
	// unplug test, LeadCheck whether it checks the meter's leads; one of the three.
	Reading   fitmentv1.Reading_Method
	Unplug    bool
	LeadCheck bool
}

// Model holds every number that the assessment stands on. They are judgement
// (common practice, no source), not measured rates: a deployment that knows better
// has its own file, read by LoadModel. A Model is read only.
type Model struct {
	// Version is the date that the file states and a digest of the file, so that
	// two files never share one.
	Version string
	// Prior is how often each component is at fault when the lamp is on; those of
	// loops are shared among the loops.
	Prior map[fitmentv1.Suspect_Component]float64
	// Readings gives by method the chance of each outcome: for a meter open, high,
	// in range, low and shorted; for a module's value the same, but the first is
	// that it stands at the end of the display, "open or high".
	Readings map[fitmentv1.Reading_Method]Table
	// LoopTests gives by method the chance of each finding: the part or its
	// contacts, harness or module, and nothing.
	LoopTests map[fitmentv1.LoopTest_Method]Table
	// Codes gives by condition the chance that the module sets such a code for a
	// loop, by the component of that loop at fault. One column.
	Codes map[string]Table
	// Outside is the same for a code about something that is no part of ours.
	Outside Table
	// SoleMeaning is how far a code is believed whose meaning nobody stated,
	// because it is the only one listed.
	SoleMeaning float64
	// SharedMeter is the share of measuring mistakes that spoil every reading of
	// one meter, and SharedRepeat the chance that such a mistake gives every
	// reading the same class.
	SharedMeter, SharedRepeat float64
	// LeadCheck is the chance that a check of the leads finds them at fault where
	// the meter's shared mistake is the fault, and where it is not.
	LeadCheck [2]float64
	// Tests are what can be done next.
	Tests []Test
	// Justified is the probability that the proven parts need together.
	Justified float64
	// Cleared is the probability of all parts together below which buying is not
	// justified.
	Cleared float64
	// LeastBits is the expected information below which no test is named.
	LeastBits float64
}

// The columns of a loop test's rows.
const (
	partColumn = iota
	harnessColumn
	nothingColumn
)
