package fault

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// tests are what can be done next, without their costs. What to do stands here and
// not in the file of likelihoods, since a deployment may change numbers but not
// make the program ask for what service literature forbids: none of these puts a
// meter on a squib.
func tests() []Test {
	return []Test{
		{
			ID: "substitute-load",
			Text: "Fit a substitute load equal to the squib (about 2 ohms unless service data says otherwise) on the harness side, in the part's place; clear the codes and read the loop again from the module. " +
				"Back in range points at the part; unchanged points at harness, plug or module. A load is for testing only, never for driving.",
			Source:  "makers' service texts and a trade paper; that a load is not for driving: common practice, no source",
			Reading: fitmentv1.Reading_SUBSTITUTE_LOAD,
		},
		{
			ID:      "module-value",
			Text:    "Read the loop's resistance as the control module reports it, with everything plugged in.",
			Source:  "maker's service text: the module reads the loop itself at each ignition",
			Reading: fitmentv1.Reading_MODULE_REPORTED,
		},
		{
			ID: "unplug",
			Text: "With the wait over, unplug the part, leave the harness side's shorting clip to close, and read the codes again from the module. " +
				"A code for open or high that turns into one for low or shorted shows a sound harness and points at the part or its contacts.",
			Source: "maker's service notes and a trade paper",
			Unplug: true,
		},
		{
			ID:      "harness-isolation",
			Text:    "With the wait over and the harness unplugged at both ends, the part and the module, and the shorting bars lifted, check the harness alone: more than 25 ohms between the two lines is sound, less is a short in the harness. Nothing is connected to the part.",
			Source:  "maker's service text (control-circuit check)",
			Reading: fitmentv1.Reading_METER_AT_HARNESS,
		},
		{
			ID: "lead-check",
			Text: "Away from the vehicle, with nothing connected, touch the ends of the test leads together and state what the display shows as the readings' lead value. " +
				"Leads that do not read nearly zero spoil every reading that was taken with them.",
			Source:    "instrument makers' articles on low resistances (the leads' own is read first and subtracted once)",
			LeadCheck: true,
		},
	}
}
