package jurisdiction

import (
	"slices"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Proto is a pack as the API shows it.
func Proto(p *Pack) *fitmentv1.JurisdictionPack {
	shown := &fitmentv1.JurisdictionPack{
		Jurisdiction: p.Jurisdiction, Place: p.Place, Version: p.Version, Within: p.Within, Notes: slices.Clone(p.Notes),
	}
	if !slices.Contains(shown.GetNotes(), CheckLocalLaw) {
		shown.Notes = append(shown.Notes, CheckLocalLaw)
	}
	for _, v := range p.Provisions {
		shown.Provisions = append(shown.Provisions, &fitmentv1.JurisdictionPack_Provision{
			Id: v.ID, Sale: v.Sale, Kinds: slices.Clone(v.Kinds), Text: v.Text, Source: v.Source,
		})
	}
	for _, o := range p.Obligations {
		shown.Obligations = append(shown.Obligations, proto.CloneOf(o.Obligation))
	}
	return shown
}
