package rules_test

import (
	"slices"
	"sync"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/reference"
)

// sceneLaw is the law of places, as both sides read it.
type sceneLaw struct {
	set    *jurisdiction.Set
	places []reference.Place
}

// sceneLaws are the packs that the program brings, which the reference has its own
// table of, and variants with invented places beside them.
var sceneLaws = sync.OnceValues(func() ([]sceneLaw, error) {
	laws := []sceneLaw{{jurisdiction.Builtin(), reference.Law()}}
	for seed := range uint64(40) {
		d := dieOf(seed ^ 0x1a3)
		law := sceneLaw{places: slices.Clone(reference.Law())}
		set := jurisdiction.Builtin()
		for _, code := range []string{"XA", "XA-1", "XB"} {
			place := reference.Place{Code: code, Divided: code == "XA" && d.once(2)}
			switch code {
			case "XA-1":
				place.Within = "XA"
			case "XB":
				place.Also = []string{"XC"}
			}
			for range pick(d, 0, 1, 2, 3) {
				place.Provisions = append(place.Provisions, d.provision())
			}
			var err error
			if set, err = set.With(packOf(&place)); err != nil {
				return nil, err
			}
			law.places = append(law.places, place)
		}
		law.set = set
		laws = append(laws, law)
	}
	return laws, nil
})

// provision invents a provision.
func (d die) provision() reference.Provision {
	p := reference.Provision{Sale: d.once(2), Condition: reference.Evidenced, Kinds: pick(d, nil, nil, []fitmentv1.Part_Kind{fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_BUCKLE_PRETENSIONER})}
	switch d.IntN(8) {
	case 0:
		if !d.once(3) {
			p.Condition, p.Kinds = reference.Forbidden, []fitmentv1.Part_Kind{pick(d, sceneKinds...)}
		}
	case 1:
		p.Condition = reference.NeverRecalled
	default:
	}
	if p.Condition != reference.Evidenced {
		return p
	}
	p.Attribute = pick(d, jurisdiction.Attributes()...)
	switch p.Attribute {
	case fitmentv1.Evidence_DONOR_VIN, fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_PULLED_BY:
	default:
		p.Value = pick(d, "", "yes", "no")
		if p.Attribute != fitmentv1.Evidence_FLOOD && p.Attribute != fitmentv1.Evidence_DEPLOYMENT_MARKS && p.Value == "no" {
			p.Value = "yes"
		}
		if p.Value != "" {
			p.MaxAgeDays = pick(d, 0, 0, 5, 30)
		}
	}
	return p
}

// packOf writes a place as the program reads it.
func packOf(place *reference.Place) *jurisdiction.Pack {
	pack := &jurisdiction.Pack{
		Jurisdiction: place.Code, Place: "Invented " + place.Code, Version: "2026-01-01",
		Within: place.Within, Divided: place.Divided, Also: place.Also,
	}
	conditions := map[reference.Condition]jurisdiction.Condition{
		reference.Forbidden: jurisdiction.Forbidden, reference.NeverRecalled: jurisdiction.NeverRecalled, reference.Evidenced: jurisdiction.Evidence,
	}
	for i, p := range place.Provisions {
		pack.Provisions = append(pack.Provisions, jurisdiction.Provision{
			ID: place.Code + ".invented-" + string(rune('a'+i)), Sale: p.Sale, Kinds: p.Kinds, Condition: conditions[p.Condition],
			Attribute: p.Attribute, Value: p.Value, MaxAgeDays: p.MaxAgeDays, Text: "Invented.", Source: "Invented for this test.",
		})
	}
	return pack
}
