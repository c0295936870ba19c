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

// numeric are the classes that a usable reading can have, in the order of the
// columns of a Row.
var numeric = []fitmentv1.ReadingReport_Class{
	fitmentv1.ReadingReport_OPEN, fitmentv1.ReadingReport_HIGH, fitmentv1.ReadingReport_IN_RANGE,
	fitmentv1.ReadingReport_LOW, fitmentv1.ReadingReport_SHORTED,
}

// Row is the chance of each outcome when one component is at fault. For
// readings the outcomes are open, high, in range, low and shorted. A row sums
// to 1.
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
	// Minutes is its cost in work. Common practice, no source.
	Minutes float64
	// Preference multiplies what a minute of it is worth.
	Preference float64
	// Method is the reading it gives, or unspecified; a loop that has a usable
	// one already is not tested again.
	Method fitmentv1.Reading_Method
	// Outcomes gives the chance of each outcome by the component at fault.
	Outcomes Table
}

// Model holds every number that the assessment stands on. They are judgement
// ("common practice, no source"), not measured rates: change them where a
// workshop knows better.
type Model struct {
	// Prior is how often each component is at fault when the lamp is on; those of
	// loops are shared among the loops.
	Prior map[fitmentv1.Suspect_Component]float64
	// Readings gives by method the chance of each class.
	Readings map[fitmentv1.Reading_Method]Table
	// Codes gives by condition the chance that the module sets such a code for a
	// loop, by the component of that loop at fault. One column.
	Codes map[string]Table
	// Outside is the same for a code about something that is no part of ours.
	Outside Table
	// SoleMeaning is how far a code is believed whose meaning nobody stated,
	// because it is the only one listed.
	SoleMeaning float64
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

// DefaultModel returns the numbers that Assess uses.
func DefaultModel() Model {
	return Model{
		Prior: map[fitmentv1.Suspect_Component]float64{
			part: 0.38, connector: 0.27, harness: 0.15, measurement: 0.06, module: 0.06, other: 0.08,
		},
		Readings:    readingTables(),
		Codes:       codeTables(),
		Outside:     Table{part: {0.03}, connector: {0.03}, harness: {0.03}, measurement: {0.03}, module: {0.1}, other: {0.6}, elsewhere: {0.03}},
		SoleMeaning: 0.6,
		Tests:       tests(),
		Justified:   0.80,
		Cleared:     0.10,
		LeastBits:   0.02,
	}
}

// sound is what a loop without a fault gives a careful reader.
var sound = Row{0.003, 0.007, 0.975, 0.010, 0.005}

func readingTables() map[fitmentv1.Reading_Method]Table {
	return map[fitmentv1.Reading_Method]Table{
		// The part alone: whatever is wrong elsewhere, a sound part reads sound.
		fitmentv1.Reading_METER_AT_COMPONENT: {
			part: {0.55, 0.20, 0.03, 0.12, 0.10}, connector: {0.01, 0.02, 0.94, 0.01, 0.02}, harness: sound,
			measurement: {0.25, 0.12, 0.33, 0.10, 0.20}, module: sound, other: sound, elsewhere: sound,
		},
		// The whole loop: part, plug, wires and the module's own circuit.
		fitmentv1.Reading_MODULE_REPORTED: {
			part: {0.42, 0.25, 0.08, 0.15, 0.10}, connector: {0.30, 0.30, 0.12, 0.10, 0.18},
			harness: {0.40, 0.15, 0.10, 0.10, 0.25}, measurement: {0.20, 0.15, 0.40, 0.15, 0.10},
			module: {0.15, 0.10, 0.50, 0.10, 0.15}, other: sound, elsewhere: sound,
		},
		// The loop with a sound load in the part's place: only the part is out of
		// it; a bad plug sometimes mends by being moved.
		fitmentv1.Reading_SUBSTITUTE_LOAD: {
			part: {0.01, 0.02, 0.94, 0.02, 0.01}, connector: {0.30, 0.32, 0.10, 0.12, 0.16},
			harness: {0.42, 0.16, 0.07, 0.10, 0.25}, measurement: {0.20, 0.15, 0.40, 0.15, 0.10},
			module: {0.20, 0.15, 0.35, 0.15, 0.15}, other: sound, elsewhere: sound,
		},
		// The wires alone, unplugged at both ends: open between the lines is sound.
		fitmentv1.Reading_METER_AT_HARNESS: {
			part: openLines, connector: {0.80, 0.08, 0.01, 0.03, 0.08}, harness: {0.55, 0.08, 0.02, 0.05, 0.30},
			measurement: {0.40, 0.10, 0.20, 0.10, 0.20}, module: openLines, other: openLines, elsewhere: openLines,
		},
	}
}

// openLines is what wires without a fault between them give.
var openLines = Row{0.955, 0.03, 0.003, 0.005, 0.007}

func codeTables() map[string]Table {
	table := func(p, c, h float64) Table {
		return Table{part: {p}, connector: {c}, harness: {h}, measurement: {0.05}, module: {0.10}, other: {0.03}, elsewhere: {0.02}}
	}
	return map[string]Table{
		noCondition:   table(0.45, 0.45, 0.45),
		openOrHigh:    table(0.45, 0.45, 0.35),
		lowOrShorted:  table(0.20, 0.45, 0.35),
		outOfRange:    table(0.40, 0.45, 0.40),
		shortOrVolts:  table(0.10, 0.25, 0.50),
		toGround:      table(0.10, 0.25, 0.50),
		toBattery:     table(0.05, 0.20, 0.50),
		batteryOrOpen: table(0.30, 0.35, 0.45),
	}
}

func tests() []Test {
	readings := readingTables()
	return []Test{
		{
			ID: "substitute-load",
			Text: "Fit a substitute load equal to the squib (about 2 ohms unless service data says otherwise) on the harness side, in the part's place; clear the codes and read the loop again from the module. " +
				"Back in range points at the part; unchanged points at harness, plug or module. A load is for testing only, never for driving.",
			Source:  "makers' service texts and a trade paper; that a load is not for driving: common practice, no source",
			Minutes: 15, Preference: 2, Method: fitmentv1.Reading_SUBSTITUTE_LOAD, Outcomes: readings[fitmentv1.Reading_SUBSTITUTE_LOAD],
		},
		{
			ID:      "module-value",
			Text:    "Read the loop's resistance as the control module reports it, with everything plugged in.",
			Source:  "maker's service text: the module reads the loop itself at each ignition",
			Minutes: 8, Preference: 1, Method: fitmentv1.Reading_MODULE_REPORTED, Outcomes: readings[fitmentv1.Reading_MODULE_REPORTED],
		},
		{
			ID: "unplug",
			Text: "With the wait over, unplug the part, leave the harness side's shorting clip to close, and read the codes again from the module. " +
				"A code for open or high that turns into one for low or shorted shows a sound harness and points at the part or its contacts.",
			Source:  "maker's service notes and a trade paper",
			Minutes: 12, Preference: 1,
			Outcomes: Table{
				part: {0.93, 0.07}, connector: {0.60, 0.40}, harness: {0.10, 0.90}, measurement: {0.90, 0.10},
				module: {0.20, 0.80}, other: {0.95, 0.05}, elsewhere: {0.95, 0.05},
			},
		},
		{
			ID:      "harness-isolation",
			Text:    "With the wait over and the harness unplugged at both ends, the part and the module, and the shorting bars lifted, check the harness alone: more than 25 ohms between the two lines is sound, less is a short in the harness. Nothing is connected to the part.",
			Source:  "maker's service text (control-circuit check)",
			Minutes: 40, Preference: 1, Method: fitmentv1.Reading_METER_AT_HARNESS, Outcomes: readings[fitmentv1.Reading_METER_AT_HARNESS],
		},
	}
}
