package fault

import (
	"fmt"
	"strconv"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// better says how to get a value that means more, without anybody putting a
// meter on a live squib.
const better = "Measure better: take the loop value that the module reports, or fit a substitute load in the part's place on the harness side."

// displayEnd is the lowest end of a module's loop display that service data
// knows, in ohms; an unstated one is taken to end here.
const displayEnd = 6.3

// judgement is a class with its reason.
type judgement struct {
	class  fitmentv1.ReadingReport_Class
	reason string
}

func unusable(format string, args ...any) judgement {
	return judgement{fitmentv1.ReadingReport_UNUSABLE, fmt.Sprintf(format, args...)}
}

// Classify judges one reading by a window; nil means the default one. Class
// OPEN or SHORTED needs the stated limits OpenOhms and ShortedOhms to be passed,
// the others a probability of Target; what proves nothing is UNUSABLE, and the
// reason says why.
func Classify(r *fitmentv1.Reading, w *fitmentv1.ResistanceWindow) *fitmentv1.ReadingReport {
	if r == nil {
		r = &fitmentv1.Reading{}
	}
	window, judgeable := windowFor(r.GetKind(), w)
	report := &fitmentv1.ReadingReport{Kind: r.GetKind(), Method: r.GetMethod(), Window: window}
	if p, ok := proto.Clone(r.GetPosition()).(*fitmentv1.Position); ok && r.GetPosition() != nil {
		report.Position = p
	}
	u, known := uncertainty(r)
	if r.Ohms != nil && !r.GetOverRange() && !atDisplayEnd(r) {
		report.CorrectedOhms = new(r.GetOhms() - r.GetLeadOhms())
		if known {
			report.StandardUncertaintyOhms = new(u)
		}
	}
	j, barred := bar(r)
	switch {
	case barred:
	case report.CorrectedOhms == nil:
		j = judgeOverRange(r, window, judgeable)
	case !judgeable:
		j = judgeWithoutWindow(r, report.GetCorrectedOhms())
	case !known:
		j = judgeWithoutAccuracy(report.GetCorrectedOhms(), window)
	default:
		report.ConformanceProbability = new(conformance(window.GetLowOhms(), window.GetHighOhms(), report.GetCorrectedOhms(), u))
		j = judge(report.GetCorrectedOhms(), u, window)
	}
	report.Class, report.Reason = j.class, j.reason
	if r.GetMethod() == fitmentv1.Reading_METER_AT_HARNESS && j.class != fitmentv1.ReadingReport_UNUSABLE {
		report.Reason += " This is the harness without its part: between its lines a sound one reads open (more than 25 ohms, maker service data)."
	}
	return report
}

// bar refuses readings that cannot mean anything, whatever their value.
func bar(r *fitmentv1.Reading) (judgement, bool) {
	switch {
	case r.GetMethod() < fitmentv1.Reading_MODULE_REPORTED || r.GetMethod() > fitmentv1.Reading_METER_AT_HARNESS:
		return unusable("How the value was obtained is not stated, so it proves nothing."), true
	case fromModule(r.GetMethod()) || r.GetShortingClip() == fitmentv1.Reading_OUT:
	case r.GetShortingClip() == fitmentv1.Reading_IN:
		return unusable("The shorting clip was in circuit: it joins the pins, so this is the clip's reading and proves nothing about the loop or the part. %s", better), true
	default:
		return unusable("Whether the shorting clip was in circuit is not known, so the reading proves nothing about the loop or the part. %s", better), true
	}
	if r.Ohms == nil && !r.GetOverRange() {
		return unusable("There is no value."), true
	}
	return judgement{}, false
}

func fromModule(m fitmentv1.Reading_Method) bool {
	return m == fitmentv1.Reading_MODULE_REPORTED || m == fitmentv1.Reading_SUBSTITUTE_LOAD
}

// judgeOverRange judges a display that showed no number, or one that stands at the
// end of a module's display. A meter's range ends
// in megohms: open. A module's ends within a few ohms: open or high.
func judgeOverRange(r *fitmentv1.Reading, window *fitmentv1.ResistanceWindow, judgeable bool) judgement {
	if !fromModule(r.GetMethod()) {
		if !conducts(r.GetKind()) && !judgeable {
			return withoutWindow(r.GetKind())
		}
		return judgement{fitmentv1.ReadingReport_OPEN, "The display showed over-range: open circuit."}
	}
	if !judgeable {
		return withoutWindow(r.GetKind())
	}
	end := r.GetDisplayLimitOhms()
	if r.DisplayLimitOhms == nil {
		end = displayEnd
	}
	return judgeDisplayEnd(end, window)
}

// atDisplayEnd tells whether a module's value stands at the end of its display: it
// is then no number, whatever the display shows.
func atDisplayEnd(r *fitmentv1.Reading) bool {
	return fromModule(r.GetMethod()) && r.DisplayLimitOhms != nil && r.GetOhms() >= r.GetDisplayLimitOhms()
}

// judgeDisplayEnd judges a module's value that stands at the end of its
// display: the loop is open or high, and the number says no more. Not even that
// where the display ends within the module's own error of the window.
func judgeDisplayEnd(end float64, window *fitmentv1.ResistanceWindow) judgement {
	if above := 1 - below(window.GetHighOhms(), end, single(end, nil)); above < Target {
		return unusable("The module's display ends at %s ohms, too near to the window's upper limit of %s to tell. %s", show(end), show(window.GetHighOhms()), better)
	}
	return judgement{
		fitmentv1.ReadingReport_HIGH,
		fmt.Sprintf("The value stands at the end of the module's display (%s ohms): open or high, above the window's %s ohms.", show(end), show(window.GetHighOhms())),
	}
}

// withoutWindow is for readings that there is no window to judge by.
func withoutWindow(kind fitmentv1.Part_Kind) judgement {
	if hasSquib(kind) {
		return unusable("The window stated makes no sense: its lower limit must be less than its upper limit.")
	}
	return unusable("This part has no squib in its loop, so the default window says nothing about it: state the window from the vehicle's service data.")
}

func judgeWithoutWindow(r *fitmentv1.Reading, y float64) judgement {
	if conducts(r.GetKind()) && !fromModule(r.GetMethod()) && y >= sureMargin*OpenOhms {
		return judgement{fitmentv1.ReadingReport_OPEN, fmt.Sprintf("%s ohms is far beyond %s ohms: open circuit.", show(y), show(OpenOhms))}
	}
	return withoutWindow(r.GetKind())
}

// sureMargin is how many times the open limit a value must be before nobody
// asks for the accuracy of the meter.
const sureMargin = 10

func judgeWithoutAccuracy(y float64, window *fitmentv1.ResistanceWindow) judgement {
	if limit := max(OpenOhms, window.GetHighOhms()); y >= sureMargin*limit {
		return judgement{fitmentv1.ReadingReport_OPEN, fmt.Sprintf("%s ohms is more than %d times %s ohms: open circuit, however inaccurate the meter.", show(y), sureMargin, show(limit))}
	}
	return unusable("The meter's accuracy is not stated, so how far the value can be trusted is unknown: state its percentage, counts and resolution from its data sheet.")
}

// judge gives the class of a number with its standard uncertainty.
func judge(y, u float64, window *fitmentv1.ResistanceWindow) judgement {
	low, high := window.GetLowOhms(), window.GetHighOhms()
	openLimit, shortLimit := max(OpenOhms, high), min(ShortedOhms, low)
	inside, above, under := conformance(low, high, y, u), 1-atMost(high, y, u), below(low, y, u)
	switch {
	case y < 0 && -y > 3*u:
		return unusable("The leads read more than the loop with them (%s ohms is left): one of the two values is wrong. %s", show(y), better)
	case 1-atMost(openLimit, y, u) >= Target:
		return judgement{fitmentv1.ReadingReport_OPEN, fmt.Sprintf("%s ohms is beyond %s ohms: open circuit.", show(y), show(openLimit))}
	case below(shortLimit, y, u) >= Target:
		return judgement{fitmentv1.ReadingReport_SHORTED, fmt.Sprintf("%s ohms is under %s ohms: shorted.", show(y), show(shortLimit))}
	case inside >= Target:
		return judgement{fitmentv1.ReadingReport_IN_RANGE, fmt.Sprintf("%s ohms lies from %s to %s ohms with a probability of %.3f.", show(y), show(low), show(high), inside)}
	case above >= Target:
		return judgement{fitmentv1.ReadingReport_HIGH, fmt.Sprintf("%s ohms lies above %s ohms with a probability of %.3f.", show(y), show(high), above)}
	case under >= Target:
		return judgement{fitmentv1.ReadingReport_LOW, fmt.Sprintf("%s ohms lies below %s ohms with a probability of %.3f.", show(y), show(low), under)}
	}
	return unusable("%s ohms with a standard uncertainty of %s ohms lies from %s to %s ohms with a probability of %.3f only; %.2f is needed to say in, above or below. %s",
		show(y), show(u), show(low), show(high), inside, Target, better)
}

// atMost is below with the limit itself counted in, so that a value without
// uncertainty that stands on a limit is inside.
func atMost(limit, y, u float64) float64 {
	if u <= 0 && y == limit {
		return 1
	}
	return below(limit, y, u)
}

// show prints a number as people write it, to four figures.
func show(x float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	if err != nil {
		rounded = x
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
