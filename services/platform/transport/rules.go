package transport

import "fmt"

// finding is what one rule says of a consignment.
type finding struct {
	answer       Tri
	text, source string
}

const (
	installedSource = "49 CFR 173.166(d)(1); PHMSA interpretation 16-0038"
	tableSource     = "49 CFR 172.101, entry UN3268"
)

// exempt tells whether the rules for dangerous goods are known not to apply: a
// tested UN3268 device inside a completed component, by road.
func (c Consignment) exempt() bool {
	return c.UN == UN3268 && c.InComponent == Yes && c.Mode == Road && c.TestedC == Yes
}

// handOver is about a part that no carrier gets.
func (c Consignment) handOver() []finding {
	const source = "common practice, no source"
	switch c.UN {
	case UN3268:
		return []finding{
			{Yes, "it is handed over in person, so nothing is given to a carrier; whoever drives it on in trade ships dangerous goods and needs what a shipment by road needs", source},
			c.tested(),
		}
	case UN0503:
		return []finding{{Unknown, "it is an explosive of division 1.4G: whether it may be handed over is for the explosives law of the place", source}}
	default:
		return []finding{unclassified()}
	}
}

// unclassified is about a part of which nobody knows what it counts as.
func unclassified() finding {
	return finding{Unknown, "what it is classified as is not known: UN3268 or UN0503, by the maker's safety data sheet", "49 CFR 172.101"}
}

// explosive is about UN0503. Whether all of what division 1.4G asks for is there
// cannot be told from a Consignment, so the answer is never yes.
func (c Consignment) explosive() []finding {
	return []finding{
		{Unknown, "it is an explosive of division 1.4G, not class 9: it needs an EX number or product code and a carrier that takes class 1; ask the carrier", "PHMSA interpretation 25-0159; " + explosiveSource},
		c.trained(),
	}
}

// component is about a UN3268 device inside a completed component.
func (c Consignment) component() []finding {
	exemption := finding{Yes, "the device is inside a completed component, which the rules for hazardous materials leave alone", installedSource}
	if c.Mode != Road {
		exemption = finding{
			Unknown, "the device is inside a completed component, which the rules of the United States leave alone; what the rules for " + string(c.Mode) + " ask is not kept here, so ask the carrier",
			installedSource,
		}
	}
	return []finding{exemption, c.tested()}
}

// loose is about a UN3268 device by itself.
func (c Consignment) loose() []finding {
	findings := []finding{
		{Yes, "a device by itself goes as dangerous goods of class 9, in the packaging of 49 CFR 173.166(e)", tableSource},
		c.tested(), c.trained(),
	}
	if c.Mode == PassengerAircraft || c.Mode == CargoAircraft {
		findings = append(findings, c.weight())
	}
	return findings
}

// either is about a UN3268 device of which nobody knows whether it is inside a
// component: what would bar it by itself may then not apply.
func (c Consignment) either() []finding {
	findings := c.loose()
	for i := range findings {
		if findings[i].answer == No && c.TestedC != No {
			findings[i].answer = Unknown
		}
	}
	return append(findings, finding{
		Unknown, "whether the device is inside a completed component is not known; by road the rules for hazardous materials leave such a one alone", installedSource,
	})
}

// tested is about the test without which nothing may be called UN3268.
func (c Consignment) tested() finding {
	const source = "49 CFR 172.102, special provision 160"
	switch c.TestedC {
	case Yes:
		return finding{Yes, "the design passed test 6(c): no explosion, no fragments of the casing, no projection hazard", source}
	case No:
		return finding{No, "the design did not pass test 6(c), so it may not be called UN3268", source}
	default:
		return finding{Unknown, "whether the design passed test 6(c) is not known; without it a part, such as a copy, may not be called UN3268: ask for the maker's safety data sheet", source}
	}
}

// trained is about who may ship dangerous goods.
func (c Consignment) trained() finding {
	const source = "49 CFR 172.704 (from memory); recyclers' guidance"
	switch c.TrainedShipper {
	case Yes:
		return finding{Yes, "the shipper is trained, every three years", source}
	case No:
		return finding{No, "it needs a trained shipper: who sends dangerous goods must have the training of a hazmat employee, every three years", source}
	default:
		return finding{Unknown, "whether the shipper has the training of a hazmat employee is not known", source}
	}
}

// Limits of a package by air.
const (
	passengerGrams = 25_000
	cargoGrams     = 100_000
)

// weight is about the limit of a package by air. The limit is compared with the
// gross weight, which errs on the safe side.
func (c Consignment) weight() finding {
	limit := int64(passengerGrams)
	if c.Mode == CargoAircraft {
		limit = cargoGrams
	}
	words := fmt.Sprintf("%s carries at most %d kg of it a package", c.Mode, limit/1000)
	switch {
	case c.GrossGrams == 0:
		return finding{Unknown, words + "; the weight is not known", tableSource}
	case c.GrossGrams > limit:
		return finding{No, fmt.Sprintf("%s; this one weighs %s kg", words, kilograms(c.GrossGrams)), tableSource}
	default:
		return finding{Yes, fmt.Sprintf("%s; this one weighs %s kg", words, kilograms(c.GrossGrams)), tableSource}
	}
}

// kilograms writes a weight of grams.
func kilograms(grams int64) string {
	return fmt.Sprintf("%d.%03d", grams/1000, grams%1000)
}
