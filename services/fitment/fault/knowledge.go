package fault

import (
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

// Knowledge is what is known beside a request: of the vehicle, and how likely
// what is. The zero Knowledge knows nothing of the vehicle.
type Knowledge struct {
	// Model holds the likelihoods; the zero Model means DefaultModel.
	Model Model
	// Tables say what codes mean; nil means code.Builtin.
	Tables *code.Tables
	// Dialect is the id of the dialect of the vehicle's codes; empty where not
	// known. What a request states comes first.
	Dialect string
	// Wait is how long to wait after the battery of this vehicle is disconnected;
	// nil where not known.
	Wait *Wait
	// Window gives the resistance window of the loop of a kind of part at a
	// position (nil for none stated), and where it is published; nil where not
	// known. A nil function knows none.
	Window func(kind fitmentv1.Part_Kind, position *fitmentv1.Position) *fitmentv1.ResistanceWindow
	// DisplayLimit is the upper end of the module's display in ohms; nil where
	// not known.
	DisplayLimit *float64
}

// Wait is how long service data says to wait between disconnecting the battery
// and touching a restraint part.
type Wait struct {
	// Minutes is how long.
	Minutes float64
	// Source says where it is published, and of which vehicles.
	Source string
}

// Waits returns the waits that are known of single makers and years, shortest
// first; none is a rule for another vehicle.
func Waits() []Wait {
	const source = "a maker's service data"
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

// model returns the likelihoods to use.
func (k Knowledge) model() Model {
	if k.Model.Prior == nil {
		return DefaultModel()
	}
	return k.Model
}

// tables returns the code tables to use.
func (k Knowledge) tables() *code.Tables {
	if k.Tables == nil {
		return code.Builtin()
	}
	return k.Tables
}

// wait says how long to wait: this vehicle's, or the longest that is known.
func (k Knowledge) wait() *fitmentv1.Wait {
	if w := k.Wait; w != nil && w.Minutes >= 0 && w.Minutes <= maxMinutes {
		return &fitmentv1.Wait{
			Minutes: w.Minutes, OfThisVehicle: true, Source: w.Source,
			Text: fmt.Sprintf("Wait %s after the battery is disconnected: that is this vehicle's. Where the maker's procedure in front of you says longer, wait longer.", minutes(w.Minutes)),
		}
	}
	longest := Waits()[0]
	for _, w := range Waits() {
		if w.Minutes > longest.Minutes {
			longest = w
		}
	}
	return &fitmentv1.Wait{
		Minutes: longest.Minutes, Source: longest.Source,
		Text: fmt.Sprintf("The wait for this vehicle is not in our data. The longest that we know of is %s after the battery is disconnected; wait at least that long, or longer where the maker's procedure says so.", minutes(longest.Minutes)),
	}
}

// minutes puts a time into words.
func minutes(m float64) string {
	switch {
	case m == 1:
		return "1 minute"
	case m > 0 && m < 1:
		return show(m*60) + " seconds"
	}
	return show(m) + " minutes"
}

// windowOf is the window that a reading is judged by: the request's, else the
// part's or vehicle's, else nil for the default.
func (k Knowledge) windowOf(r *fitmentv1.Reading, stated *fitmentv1.ResistanceWindow) *fitmentv1.ResistanceWindow {
	if stated != nil {
		window := proto.CloneOf(stated)
		if window.GetSource() == "" {
			window.Source = "stated in the request, without a source"
		}
		return window
	}
	if k.Window == nil || r == nil {
		return nil
	}
	if window := k.Window(r.GetKind(), r.GetPosition()); window != nil && sound(window) {
		return window
	}
	return nil
}

// sound tells whether a window can be judged by.
func sound(w *fitmentv1.ResistanceWindow) bool {
	low, high := w.GetLowOhms(), w.GetHighOhms()
	return low >= 0 && high > low && !math.IsInf(high, 0)
}

// clipped completes a reading of the module by where its display ends: as the
// reading says, else as is known of the vehicle, else the lowest end that is known
// of any. A value from there on is open or high and no number.
func (k Knowledge) clipped(r *fitmentv1.Reading) *fitmentv1.Reading {
	if r == nil || !fromModule(r.GetMethod()) || r.DisplayLimitOhms != nil {
		return r
	}
	end := displayEnd
	if k.DisplayLimit != nil && *k.DisplayLimit > 0 && *k.DisplayLimit <= maxWindow {
		end = *k.DisplayLimit
	}
	completed := proto.CloneOf(r)
	completed.DisplayLimitOhms = &end
	return completed
}
