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
// the hold only for its holder, the yard and the operator, the buyer only for
// the buyer, the yard and the operator, the donor's VIN in full only for the yard,
// the holder of a hold that counts, and the buyer, and what the part cost only for
// the yard. Others see the VIN masked wherever the yard wrote it, but for the
// listing's own name and number, by which everybody must find it. Which buyer saw
// what of a part that came back is for him, the yard and the operator.
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
	if !isYard(l, viewer) {
		v.CostNote = nil
	}
	hideReporters(v.ProtoReflect(), l, viewer)
	if SeesVIN(l, viewer, now) {
		return v
	}
	mask(v.ProtoReflect(), vinsOf(l))
	v.Name, v.Yard, v.StockNumber = l.GetName(), l.GetYard(), l.GetStockNumber()
	return v
}

// MaskDecision is a decision about the listing as a viewer may see it: without
// the donor's VIN in full and the names of earlier buyers where he may not see that.
// A decision's evidence may be the listing's own, so what is masked is a copy.
func MaskDecision(whole *fitmentv1.Decision, l *fitmentv1.Listing, viewer identity.Principal, now time.Time) *fitmentv1.Decision {
	return Mask(whole, l, viewer, now)
}

// Mask is MaskDecision for any message about the listing. The digest of what a decision
// stands on goes too: it is made from the whole listing, so that whoever knows the rest
// could find out by trying what is hidden from him, which is six characters of a VIN.
func Mask[M proto.Message](whole M, l *fitmentv1.Listing, viewer identity.Principal, now time.Time) M {
	vin := SeesVIN(l, viewer, now)
	if vin && (l.GetReturnOf() == "" || isKeeper(l, viewer)) {
		return whole
	}
	masked := proto.CloneOf(whole)
	hideReporters(masked.ProtoReflect(), l, viewer)
	hideDigests(masked.ProtoReflect())
	if !vin {
		mask(masked.ProtoReflect(), vinsOf(l))
	}
	return masked
}

// MaskVIN hides the last six characters.
func MaskVIN(vin string) string {
	shown := max(len(vin)-maskedCharacters, 0)
	return vin[:shown] + strings.Repeat("*", len(vin)-shown)
}

// isYard tells whether the viewer is the business whose listing it is.
func isYard(l *fitmentv1.Listing, viewer identity.Principal) bool {
	return viewer.Tenant != "" && viewer.Tenant == l.GetYard()
}

// isKeeper tells whether the viewer may write the listing: its yard, or the operator
// for it.
func isKeeper(l *fitmentv1.Listing, viewer identity.Principal) bool {
	return viewer.Has(identity.Operator) || isYard(l, viewer)
}

// SeesVIN tells whether a viewer may see the donor's VIN in full. The operator is
// none of those: keeping a deployment needs nobody's VIN.
func SeesVIN(l *fitmentv1.Listing, viewer identity.Principal, now time.Time) bool {
	return isYard(l, viewer) || HeldBy(l, viewer.Tenant, now) ||
		(viewer.Tenant != "" && l.GetState() == fitmentv1.Listing_SOLD && viewer.Tenant == l.GetBuyer())
}
