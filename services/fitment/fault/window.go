package fault

import (
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Target is the probability that a class must have before it is given: a value
// is in range, high or low when it lies there with at least this probability
// (acceptance by JCGM 106:2012, clause 8, with a 5 % limit on the risk).
const Target = 0.95

// Limits beyond which a value is a category and no longer a number.
const (
	// OpenOhms is where a loop counts as open. A module drives at least 30 mA
	// through a loop to read it (squib-driver data sheet), which from a supply of
	// at most 16 V goes through no more than 533 ohms: 1,000 ohms is open to every
	// module. The limit itself is common practice, no source.
	OpenOhms = 1000.0
	// ShortedOhms is where a loop counts as shorted. The lowest sound loop that
	// service data knows is 0.9 ohms and the lowest limit 0.7 ohms; half an ohm
	// is a shorting clip or touching wires. Common practice, no source.
	ShortedOhms = 0.5
)

// DefaultWindow is used where neither the part nor the vehicle's service data
// gives a window.
func DefaultWindow() *fitmentv1.ResistanceWindow {
	return &fitmentv1.ResistanceWindow{
		LowOhms:  1.4,
		HighOhms: 3.2,
		Source:   "default: loop limits of a 2018 trade paper; a vehicle's own service data comes first",
	}
}

// windowFor returns the window to judge by and whether one may be used: the
// stated one, or the default for parts with a squib in their loop.
func windowFor(kind fitmentv1.Part_Kind, stated *fitmentv1.ResistanceWindow) (*fitmentv1.ResistanceWindow, bool) {
	if stated == nil {
		return DefaultWindow(), hasSquib(kind)
	}
	return proto.CloneOf(stated), sound(stated)
}

// hasSquib tells whether a part's loop contains a squib, so that about 2 ohms
// is what a sound one reads.
func hasSquib(kind fitmentv1.Part_Kind) bool {
	return kind >= fitmentv1.Part_BUCKLE_PRETENSIONER && kind <= fitmentv1.Part_CURTAIN_AIR_BAG
}

// conducts tells whether a part must at least conduct, so that an open one is
// faulty whatever its resistance should be.
func conducts(kind fitmentv1.Part_Kind) bool {
	return hasSquib(kind) || kind == fitmentv1.Part_CLOCK_SPRING || kind == fitmentv1.Part_PIGTAIL
}
