package transport

// explosiveSource is where name and class of UN0503 are from.
const explosiveSource = "German dangerous-goods reference list, entry UN0503"

// papers are what shipping papers and package must show.
func (c Consignment) papers() []Fact {
	var facts []Fact
	switch c.UN {
	case UN3268:
		facts = c.classNine()
	case UN0503:
		const source = explosiveSource + "; PHMSA interpretation 25-0159"
		facts = []Fact{
			{"proper shipping name", "Safety devices, pyrotechnic", source},
			{"class or division", "1.4G", source},
			{"UN number", UN0503, source},
			{"EX number or product code", "needed", source},
		}
	default:
		return nil
	}
	return append(facts, c.recycled())
}

func (c Consignment) classNine() []Fact {
	facts := []Fact{
		{"proper shipping name", "Safety devices, electrically initiated", tableSource},
		{"class or division", "9", tableSource},
		{"UN number", UN3268, tableSource},
		{"packing group", "none", tableSource},
		{"special provisions", "160, A200", tableSource},
		c.packaging(),
		{"label", "CLASS 9 on every package or handling device", "49 CFR 173.166(f)"},
		{"emergency response guide", "171", "Emergency Response Guidebook, from memory"},
		{"EX number", "not needed on the papers", "78 FR 45880 (30 July 2013); PHMSA interpretation 25-0159"},
	}
	switch c.Mode {
	case Sea:
		facts = append(facts, Fact{"stowage", "A", tableSource}, Fact{"packing instruction", "P902 or LP902", "IMDG code, from memory"})
	case PassengerAircraft, CargoAircraft:
		facts = append(facts, Fact{"packing instruction", "961", "IATA regulations, from memory"})
	case Road, HandOver:
	}
	return facts
}

// packaging is about the box. What the paragraph on recycling allows is not known
// for certain, so the stricter reading counts where it may apply.
func (c Consignment) packaging() Fact {
	fact := Fact{"packaging", "49 CFR 173.166(e); several devices may share a box", tableSource + "; PHMSA interpretation 13-0189"}
	if c.ToRecycler != No && c.NeverInstalled != Yes {
		fact.Value += `, but put only one into a box where the papers say "Recycled"`
		fact.Source += "; 49 CFR 173.166(d)(4), from memory"
	}
	return fact
}

// recycled is about the word that stands on the papers of a device on its way
// from a vehicle to a recycling facility, and of no other.
func (c Consignment) recycled() Fact {
	fact := Fact{Name: `the word "Recycled"`, Source: "49 CFR 173.166(d)(4); PHMSA interpretation 25-0159"}
	switch {
	case c.ToRecycler == No:
		fact.Value = "not written: it does not go to a recycling facility"
	case c.NeverInstalled == Yes:
		fact.Value = "not written: it never was in a vehicle"
	case c.ToRecycler == Yes && c.NeverInstalled == No:
		fact.Value = "right after the basic description"
	default:
		fact.Value = "right after the basic description if it was removed from a vehicle and goes to a recycling facility; which is not known"
	}
	return fact
}
