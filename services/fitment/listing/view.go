package listing

import (
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/identity"
)

// maskedCharacters is how many of a VIN's last characters, its serial number,
// are hidden from viewers who have no stake in the part.
const maskedCharacters = 6

// View is the listing as a viewer sees it at a time: the state that counts,
// the hold only for its holder, the yard and administrators, the buyer only for
// the buyer, the yard and administrators, and the donor's VIN in full only for
// the yard, administrators, the holder of a hold that counts, and the buyer.
func View(l *fitmentv1.Listing, viewer identity.Principal, now time.Time) *fitmentv1.Listing {
	v := clone(l)
	v.State = StateAt(l, now)
	keeper := isKeeper(l, viewer)
	if !keeper && viewer.Tenant != l.GetHold().GetHolder() {
		v.Hold = nil
	}
	if !keeper && viewer.Tenant != l.GetBuyer() {
		v.Buyer = ""
	}
	if seesVIN(l, viewer, now) {
		return v
	}
	if v.GetDonor() != nil {
		v.Donor.Vin = MaskVIN(v.GetDonor().GetVin())
	}
	maskEvidence(v.GetEvidence())
	return v
}

// MaskDecision is a decision about the listing as a viewer may see it: without
// the donor's VIN in full where he may not see that. A decision's evidence may
// be the listing's own, so what is masked is a copy.
func MaskDecision(whole *fitmentv1.Decision, l *fitmentv1.Listing, viewer identity.Principal, now time.Time) *fitmentv1.Decision {
	if seesVIN(l, viewer, now) {
		return whole
	}
	d := proto.CloneOf(whole)
	hide := replacer(l)
	for _, f := range d.GetFindings() {
		maskEvidence(f.GetEvidence())
		f.Reason, f.Remedy = hide.Replace(f.GetReason()), hide.Replace(f.GetRemedy())
	}
	for _, m := range d.GetMissingEvidence() {
		m.Ask, m.Reason = hide.Replace(m.GetAsk()), hide.Replace(m.GetReason())
	}
	for _, a := range d.GetArrivalChecks() {
		a.Check, a.Pass = hide.Replace(a.GetCheck()), hide.Replace(a.GetPass())
	}
	for i, caution := range d.GetCautions() {
		d.Cautions[i] = hide.Replace(caution)
	}
	return d
}

// MaskVIN hides the last six characters.
func MaskVIN(vin string) string {
	shown := max(len(vin)-maskedCharacters, 0)
	return vin[:shown] + strings.Repeat("*", len(vin)-shown)
}

func isKeeper(l *fitmentv1.Listing, viewer identity.Principal) bool {
	return viewer.Has(identity.Admin) || (viewer.Tenant != "" && viewer.Tenant == l.GetYard())
}

func seesVIN(l *fitmentv1.Listing, viewer identity.Principal, now time.Time) bool {
	return isKeeper(l, viewer) || HeldBy(l, viewer.Tenant, now) ||
		(viewer.Tenant != "" && l.GetState() == fitmentv1.Listing_SOLD && viewer.Tenant == l.GetBuyer())
}

func maskEvidence(all []*fitmentv1.Evidence) {
	for _, e := range all {
		if e.GetAttribute() == fitmentv1.Evidence_DONOR_VIN {
			e.Value = MaskVIN(e.GetValue())
		}
	}
}

// replacer masks every VIN that the listing states, as written and in capitals,
// wherever it stands in a text.
func replacer(l *fitmentv1.Listing) *strings.Replacer {
	vins := []string{l.GetDonor().GetVin()}
	for _, e := range l.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_DONOR_VIN {
			vins = append(vins, e.GetValue())
		}
	}
	var pairs []string
	for _, vin := range vins {
		if vin != "" {
			upper := strings.ToUpper(vin)
			pairs = append(pairs, vin, MaskVIN(vin), upper, MaskVIN(upper))
		}
	}
	return strings.NewReplacer(pairs...)
}
