// Package transport rules who may ship a pyrotechnic part, how, and with which
// papers. It knows the rules of the United States (49 CFR parts 171 to 180); where
// these do not settle a question, or a fact is missing, the answer is Unknown and
// never yes. A carrier may ask for more. Both sides need it: yards for the papers of
// a shipment, shops for what a purchase and a returned old part take.
package transport

import (
	"fmt"
	"slices"
)

// Tri is an answer or a fact that may be unknown.
type Tri int8

// The answers; the zero one is Unknown.
const (
	Unknown Tri = iota
	No
	Yes
)

// String is the answer in a word.
func (t Tri) String() string {
	switch t {
	case Yes:
		return "yes"
	case No:
		return "no"
	default:
		return "unknown"
	}
}

// Mode is how a part travels.
type Mode string

// The modes.
const (
	// Road is carriage by road or rail.
	Road Mode = "road"
	// PassengerAircraft and CargoAircraft have different limits of weight.
	PassengerAircraft Mode = "passenger aircraft"
	CargoAircraft     Mode = "cargo aircraft"
	// Sea is carriage by vessel.
	Sea Mode = "sea"
	// HandOver is a part handed to its buyer, without a carrier.
	HandOver Mode = "hand-over"
)

// Modes are all of them.
func Modes() []Mode { return []Mode{Road, PassengerAircraft, CargoAircraft, Sea, HandOver} }

// The identification numbers that a pyrotechnic part of a restraint may have.
const (
	// UN3268 is "Safety devices, electrically initiated", class 9.
	UN3268 = "UN3268"
	// UN0503 is "Safety devices, pyrotechnic", division 1.4G.
	UN0503 = "UN0503"
)

// MaxGrams bounds the weight of a package: 100 t.
const MaxGrams = 100_000_000

// Consignment is one package that is to be sent.
type Consignment struct {
	// UN is UN3268, UN0503, or empty where it is not known.
	UN string
	// InComponent tells whether the device is inside a completed component: a
	// seat, a steering column, a door panel.
	InComponent Tri
	// Mode is how it is to travel.
	Mode Mode
	// GrossGrams is the weight of the package; 0 where it is not known.
	GrossGrams int64
	// TrainedShipper tells whether who sends it has the training of a hazmat
	// employee; someone who sells from home has not.
	TrainedShipper Tri
	// ToRecycler tells whether it goes to a recycling facility.
	ToRecycler Tri
	// NeverInstalled tells whether it never was in a vehicle.
	NeverInstalled Tri
	// TestedC tells whether the design passed the test 6(c) of the UN manual,
	// without which nothing may be called UN3268.
	TestedC Tri
}

// Reason is one thing that a ruling stands on, and where it is published.
type Reason struct {
	Text, Source string
}

// Fact is one thing that papers or package must show.
type Fact struct {
	Name, Value, Source string
}

// Ruling is what became of a Consignment.
type Ruling struct {
	// Allowed tells whether it may be sent so.
	Allowed Tri
	// Reasons say why, those against it first.
	Reasons []Reason
	// Papers are what shipping papers and package must show; none where the
	// rules for dangerous goods do not apply or the classification is unknown.
	Papers []Fact
	// Handling is true where it must be handled as dangerous goods, or nobody
	// knows that it need not be.
	Handling bool
}

// Decide rules. It fails for a consignment that is none, and names the field.
func Decide(c Consignment) (Ruling, error) {
	if err := c.validate(); err != nil {
		return Ruling{}, err
	}
	var findings []finding
	switch {
	case c.Mode == HandOver:
		findings = c.handOver()
	case c.UN == "":
		findings = []finding{unclassified()}
	case c.UN == UN0503:
		findings = c.explosive()
	case c.InComponent == Yes:
		findings = c.component()
	case c.InComponent == No:
		findings = c.loose()
	default:
		findings = c.either()
	}
	ruling := Ruling{Allowed: Yes, Handling: c.Mode != HandOver && !c.exempt()}
	for _, rank := range []Tri{No, Unknown, Yes} { // those against first
		for _, f := range findings {
			if f.answer != rank {
				continue
			}
			ruling.Reasons = append(ruling.Reasons, Reason{Text: f.text, Source: f.source})
			ruling.Allowed = worse(ruling.Allowed, f.answer)
		}
	}
	if ruling.Handling {
		ruling.Papers = c.papers()
	}
	return ruling, nil
}

func (c Consignment) validate() error {
	switch {
	case c.UN != "" && c.UN != UN3268 && c.UN != UN0503:
		return fmt.Errorf("UN number: %.20q is neither %s nor %s, nor empty for not known", c.UN, UN3268, UN0503)
	case !slices.Contains(Modes(), c.Mode):
		return fmt.Errorf("mode: %.20q is none of %q", c.Mode, Modes())
	case c.GrossGrams < 0 || c.GrossGrams > MaxGrams:
		return fmt.Errorf("gross weight: %d g is out of range; expected 0 (not known) to %d", c.GrossGrams, MaxGrams)
	}
	for _, fact := range []struct {
		name  string
		value Tri
	}{
		{"in a component", c.InComponent},
		{"trained shipper", c.TrainedShipper},
		{"to a recycler", c.ToRecycler},
		{"never installed", c.NeverInstalled},
		{"tested 6(c)", c.TestedC},
	} {
		if fact.value < Unknown || fact.value > Yes {
			return fmt.Errorf("%s: %d is none of unknown, no, yes", fact.name, fact.value)
		}
	}
	return nil
}

// worse is the answer that counts of two: a no before an unknown before a yes.
func worse(a, b Tri) Tri {
	switch {
	case a == No || b == No:
		return No
	case a == Unknown || b == Unknown:
		return Unknown
	default:
		return Yes
	}
}
