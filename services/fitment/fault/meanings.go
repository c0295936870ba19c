package fault

// Where meanings are from.
const (
	twoLists = "SAE J2012 restraint codes; at least two public lists agree"
	oneList  = "SAE J2012 restraint codes; one public list, or from memory"
	serviceA = "maker's service data, vehicles of about 2000 to 2009"
	serviceB = "maker's service data, vehicles of 1994 to 2004"
	serviceD = "maker's service data, vehicles of 2003"
)

// circuitOnly lists codes that name a circuit and leave what is wrong with it
// to the failure byte, or to a source that we do not have.
func circuitOnly(codes ...string) []reported {
	list := make([]reported, len(codes))
	for i, c := range codes {
		list[i] = reported{c, noCondition}
	}
	return list
}

// fourFaults lists a maker's four codes of one loop, in the order that its
// service data gives them.
func fourFaults(short, open, ground, battery string) []reported {
	return []reported{{short, lowOrShorted}, {open, openOrHigh}, {ground, toGround}, {battery, toBattery}}
}

// standardMeanings is the SAE J2012 allocation of the restraint codes.
var standardMeanings = []meaning{
	{dialect: standard, kinds: driverBag, seat: driverSeat, part: "driver front air bag, stage 1", codes: circuitOnly("B0001"), source: twoLists},
	{dialect: standard, kinds: driverBag, seat: driverSeat, part: "driver front air bag, stage 2", codes: circuitOnly("B0002"), source: twoLists},
	{dialect: standard, kinds: driverBag, seat: driverSeat, part: "driver front air bag, stage 3", codes: circuitOnly("B0003"), source: oneList},
	{dialect: standard, kinds: kneeBag, seat: driverSeat, part: "driver knee air bag", codes: circuitOnly("B0004"), source: oneList},
	{dialect: standard, seat: driverSeat, part: "collapsible steering column", codes: circuitOnly("B0005"), source: oneList},
	{dialect: standard, kinds: passengerBag, seat: mateSeat, part: "passenger front air bag, stage 1", codes: circuitOnly("B0010"), source: twoLists},
	{dialect: standard, kinds: passengerBag, seat: mateSeat, part: "passenger front air bag, stage 2", codes: circuitOnly("B0011"), source: twoLists},
	{dialect: standard, kinds: passengerBag, seat: mateSeat, part: "passenger front air bag, stage 3", codes: circuitOnly("B0012"), source: oneList},
	{dialect: standard, kinds: sideBag, seat: leftFront, part: "left front side air bag", codes: circuitOnly("B0020"), source: twoLists},
	{dialect: standard, kinds: curtain, seat: left, part: "left curtain air bag", codes: circuitOnly("B0021"), source: twoLists},
	{dialect: standard, kinds: sideBag, seat: rightFront, part: "right front side air bag", codes: circuitOnly("B0028"), source: twoLists},
	{dialect: standard, kinds: curtain, seat: right, part: "right curtain air bag", codes: circuitOnly("B0029"), source: twoLists},
	{dialect: standard, kinds: sideBag, seat: leftSecond, part: "second-row left side air bag", codes: circuitOnly("B0030"), source: oneList},
	{dialect: standard, kinds: sideBag, seat: rightSecond, part: "second-row right side air bag", codes: circuitOnly("B0038"), source: twoLists},
	{dialect: standard, seat: driverSeat, part: "driver belt-buckle sensor", codes: circuitOnly("B0050"), source: twoLists},
	{dialect: standard, part: "a belt-buckle sensor", codes: circuitOnly("B0051", "B0053", "B0054", "B0055", "B0057"), source: twoLists},
	{dialect: standard, seat: mateSeat, part: "passenger belt-buckle sensor", codes: circuitOnly("B0052"), source: twoLists},
	{dialect: standard, seat: leftThird, part: "third-row left belt-buckle sensor", codes: circuitOnly("B0056"), source: twoLists},
	{dialect: standard, seat: rightThird, part: "third-row right belt-buckle sensor", codes: circuitOnly("B0058"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: driverSeat, part: "driver pretensioner A", codes: circuitOnly("B0070"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: centreFront, part: "front centre pretensioner A", codes: circuitOnly("B0071"), source: oneList},
	{dialect: standard, kinds: pretensioner, seat: mateSeat, part: "passenger pretensioner A", codes: circuitOnly("B0072"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: leftSecond, part: "second-row left pretensioner", codes: circuitOnly("B0073"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: midSecond, part: "second-row centre pretensioner", codes: circuitOnly("B0074"), source: oneList},
	{dialect: standard, kinds: pretensioner, seat: rightSecond, part: "second-row right pretensioner", codes: circuitOnly("B0075"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: leftThird, part: "third-row left pretensioner", codes: circuitOnly("B0076"), source: oneList},
	{dialect: standard, kinds: pretensioner, seat: midThird, part: "third-row centre pretensioner", codes: circuitOnly("B0077"), source: oneList},
	{dialect: standard, kinds: pretensioner, seat: rightThird, part: "third-row right pretensioner", codes: circuitOnly("B0078"), source: oneList},
	{dialect: standard, kinds: pretensioner, seat: driverSeat, part: "driver pretensioner B (second squib)", codes: circuitOnly("B0079"), source: twoLists},
	{dialect: standard, kinds: pretensioner, seat: mateSeat, part: "passenger pretensioner B (second squib)", codes: circuitOnly("B007A"), source: twoLists},
	{dialect: standard, part: "a belt load limiter", codes: circuitOnly("B0080", "B0081", "B0082", "B0083", "B0084", "B0085", "B0086", "B0087", "B0088"), source: oneList},
	{dialect: standard, kinds: crashSensor, part: "a satellite crash sensor", codes: circuitOnly("B0090", "B0092", "B0093", "B0095", "B0098", "B0099"), source: oneList},
	{dialect: standard, kinds: crashSensor, seat: left, part: "left side satellite crash sensor 1", codes: circuitOnly("B0091"), source: oneList},
	{dialect: standard, kinds: crashSensor, seat: centreFront, part: "centre front satellite crash sensor", codes: circuitOnly("B0094"), source: oneList},
	{dialect: standard, kinds: crashSensor, seat: right, part: "right side satellite crash sensor 1", codes: circuitOnly("B0096"), source: oneList},
	{dialect: standard, kinds: crashSensor, seat: right, part: "right side satellite crash sensor 2", codes: circuitOnly("B0097"), source: oneList},
	{dialect: standard, kinds: occupant, part: "occupant classification", codes: circuitOnly("B00A0"), source: oneList},
	{dialect: standard, part: "a seat-track position sensor", codes: circuitOnly("B00B5"), source: oneList},
	{dialect: standard, part: "a seat-track position sensor", codes: circuitOnly("B00C5"), source: twoLists},
	{dialect: standard, part: "restraint warning lamp", codes: circuitOnly("B00D2"), source: twoLists},
	{dialect: standard, part: "passenger air bag off lamp", codes: circuitOnly("B00D5"), source: twoLists},
	{dialect: standard, part: "passenger air bag disable switch", codes: circuitOnly("B00DF"), source: twoLists},
	{dialect: standard, kinds: crashSensor, part: "a front crash sensor", codes: circuitOnly("B0100"), source: oneList},
}

// legacyMeanings are makers' own readings of codes. Where a source names a
// circuit but not the condition, none is given.
var legacyMeanings = []meaning{
	{dialect: legacyA, kinds: sideBag, seat: leftFront, part: "left front side air bag", codes: []reported{{"B0040", lowOrShorted}, {"B0041", openOrHigh}, {"B0045", outOfRange}}, source: serviceA},
	{dialect: legacyA, part: "deployment commanded", codes: circuitOnly("B0051"), source: serviceA, deployed: true},
	{dialect: legacyA, part: "deployment commanded, with a loop fault present", codes: circuitOnly("B0053"), source: serviceA, deployed: true},
	{dialect: legacyA, kinds: pretensioner, seat: rightFront, part: "right front pretensioner loop", codes: []reported{{"B0057", lowOrShorted}, {"B0058", openOrHigh}, {"B0059", shortOrVolts}}, source: serviceA},
	{dialect: legacyA, kinds: curtain, seat: left, part: "left roof-rail air bag", codes: circuitOnly("B0061", "B0062", "B0068"), source: serviceA},
	{dialect: legacyA, kinds: pretensioner, seat: leftFront, part: "left front pretensioner loop", codes: circuitOnly("B0064", "B0065", "B0066"), source: serviceA},
	{dialect: legacyA, kinds: curtain, seat: right, part: "right roof-rail air bag", codes: circuitOnly("B0069", "B0070", "B0071"), source: serviceA},
	{dialect: legacyD, kinds: driverBag, seat: driverSeat, part: "driver squib", codes: fourFaults("B0100", "B0101", "B0102", "B0103"), source: serviceD},
	{dialect: legacyD, kinds: passengerBag, seat: mateSeat, part: "passenger squib", codes: fourFaults("B0105", "B0106", "B0107", "B0108"), source: serviceD},
	{dialect: legacyD, kinds: sideBag, part: "a side squib", codes: circuitOnly("B0110", "B0111", "B0112", "B0113", "B0115", "B0116", "B0117", "B0118"), source: serviceD},
	{dialect: legacyD, kinds: pretensioner, seat: rightFront, part: "right front pretensioner", codes: fourFaults("B0130", "B0131", "B0132", "B0133"), source: serviceD},
	{dialect: legacyD, kinds: pretensioner, seat: leftFront, part: "left front pretensioner", codes: fourFaults("B0135", "B0136", "B0137", "B0138"), source: serviceD},
	{dialect: legacyB, kinds: pretensioner, seat: mateSeat, part: "passenger pretensioner (lamp flash code 18)", codes: []reported{{"B1883", toGround}}, source: serviceB},
	{dialect: legacyB, part: "restraint loop fault of several sorts (lamp flash codes 19 and 21 say which)", codes: circuitOnly("B2293"), source: serviceB},
}
