package reference

import fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"

// Kinds that laws speak of. Several laws count sensors, controllers and wiring to
// the "inflatable restraint".
var (
	bagKinds = []fitmentv1.Part_Kind{
		fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Part_KNEE_AIR_BAG,
		fitmentv1.Part_SIDE_AIR_BAG, fitmentv1.Part_CURTAIN_AIR_BAG,
	}
	systemKinds = append([]fitmentv1.Part_Kind{
		fitmentv1.Part_CLOCK_SPRING, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR, fitmentv1.Part_OCCUPANT_SENSOR, fitmentv1.Part_PIGTAIL,
	}, bagKinds...)
)

// members are the member states of the European Union (Treaty on European Union,
// Article 52, and the Treaties of Accession).
var members = []string{
	"BE", "DE", "FR", "IT", "LU", "NL", "DK", "IE", "GR", "PT", "ES", "AT", "FI", "SE", "CY", "CZ", "EE", "HU", "LV", "LT", "MT", "PL", "SI", "SK", "BG", "RO", "HR",
}

// Law is the law of the places that the program knows of, as far as it makes a sale
// or a fitting depend on a fact. What it merely asks to be said, written down or
// kept is left out.
func Law() []Place {
	sale := func(kinds []fitmentv1.Part_Kind, about attribute, value string) Provision {
		return Provision{Sale: true, Kinds: kinds, Condition: Evidenced, Attribute: about, Value: value}
	}
	fitting := func(kinds []fitmentv1.Part_Kind, about attribute, value string) Provision {
		return Provision{Kinds: kinds, Condition: Evidenced, Attribute: about, Value: value}
	}
	undeployed := fitting(bagKinds, aMarks, no)
	return []Place{
		// 49 CFR 573.12 is recall.open's; federal law demands nothing else of the part.
		{Code: "US", Divided: true},
		// Invoice wording only.
		{Code: "US-CA", Within: "US"},
		// C.R.S. 42-9-109.5(2)(a)(II): the donor's VIN on the invoice.
		{Code: "US-CO", Within: "US", Provisions: []Provision{sale(systemKinds, aVIN, "")}},
		// N.Y. Vehicle and Traffic Law § 415-c(1), (2): theft query, certification.
		{Code: "US-NY", Within: "US", Provisions: []Provision{
			sale(systemKinds, fitmentv1.Evidence_THEFT_QUERY_CLEAR, yes), sale(systemKinds, fitmentv1.Evidence_SELLER_STATEMENT, yes),
		}},
		// R.I. Gen. Laws § 31-53-5(a)(1): none that is or has been recalled; number and
		// donor's VIN on record. §§ 31-53-3, 31-53-4(a)(1): none that was deployed.
		{Code: "US-RI", Within: "US", Provisions: []Provision{
			{Sale: true, Kinds: systemKinds, Condition: NeverRecalled}, sale(systemKinds, aNumber, ""), sale(systemKinds, aVIN, ""), undeployed,
		}},
		// Tex. Transp. Code § 547.614(a): one that meets the rules for that very vehicle.
		{Code: "US-TX", Within: "US", Provisions: []Provision{fitting(bagKinds, aNumber, "")}},
		// RCW 46.37.640(3), 46.37.660(1)(a): none that was activated.
		{Code: "US-WA", Within: "US", Provisions: []Provision{undeployed}},
		// Directive 2005/64/EC, Annex V speaks of new vehicles only: a flag.
		{Code: "EU", Also: members},
		// Environment Agency, RPS 195 (25 July 2023), and Natural Resources Wales, RD
		// 026: undeployed and undamaged.
		{Code: "GB-ENG", Provisions: []Provision{undeployed}},
		{Code: "GB-WLS", Provisions: []Provision{undeployed}},
		// NZ Transport Agency, LVRC bulletin 2, Salvaged airbags, and VIRM 9-1; taken to
		// hold for every restraint part, since any doubt rejects one. The statement
		// comes with the part.
		{Code: "NZ", Provisions: []Provision{
			sale(nil, fitmentv1.Evidence_SELLER_STATEMENT, yes), sale(nil, aVIN, ""), sale(nil, aNumber, ""),
			fitting(nil, aPulledBy, ""), fitting(nil, aFlood, no), fitting(nil, aLegible, yes),
		}},
	}
}
