package fault

import "fmt"

// failureTexts are the failure bytes of SAE J2012DA (public lists agree).
var failureTexts = map[byte]string{
	0x00: "no further information",
	0x01: "general electrical failure",
	0x04: "system internal failure",
	0x11: "short to ground",
	0x12: "short to battery",
	0x13: "open circuit",
	0x14: "short to ground or open",
	0x15: "short to battery or open",
	0x16: "voltage below threshold",
	0x17: "voltage above threshold",
	0x18: "current below threshold",
	0x19: "current above threshold",
	0x1A: "resistance below threshold",
	0x1B: "resistance above threshold",
	0x1C: "voltage out of range",
	0x1D: "current out of range",
	0x1E: "resistance out of range",
	0x1F: "intermittent",
	0x2B: "signals cross-coupled",
	0x49: "internal electronic failure",
	0x4A: "incorrect component installed",
	0x53: "deactivated",
	0x54: "missing calibration",
	0x55: "not configured",
}

// makerFailureTexts are makers' own readings of failure bytes that clash with
// the standard's (maker service data). Such a byte is shown and used for
// nothing.
var makerFailureTexts = map[byte]string{
	0x01: "short to battery",
	0x02: "short to ground",
	0x04: "open circuit",
	0x19: "shorted to another loop",
}

// failureConditions say what a failure byte reports about a loop, where no
// maker is known to read it otherwise.
var failureConditions = map[byte]string{
	0x11: toGround,
	0x12: toBattery,
	0x13: openOrHigh,
	0x14: outOfRange,
	0x15: batteryOrOpen,
	0x1A: lowOrShorted,
	0x1B: openOrHigh,
	0x1E: outOfRange,
}

// failureNote puts a failure byte into words; empty where there is none.
func failureNote(c Code) string {
	if !c.HasFailure {
		return ""
	}
	text, known := failureTexts[c.Failure]
	note := fmt.Sprintf("Failure byte %02X is none of those we list.", c.Failure)
	if known {
		note = fmt.Sprintf("Failure byte %02X is %q in SAE J2012DA.", c.Failure, text)
	}
	if other, clashes := makerFailureTexts[c.Failure]; clashes {
		note += fmt.Sprintf(" Some makers mean %q by it, so it is not used here.", other)
	}
	return note
}
