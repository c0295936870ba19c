package evidence

import (
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
)

// plain returns what a listing's plain fields say about an attribute, empty
// where they say nothing.
func plain(listing *fitmentv1.Listing, attribute fitmentv1.Evidence_Attribute) string {
	switch attribute {
	case fitmentv1.Evidence_PART_NUMBER:
		return listing.GetPartNumber()
	case fitmentv1.Evidence_PART_KIND:
		if listing.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
			return listing.GetKind().String()
		}
	case fitmentv1.Evidence_PART_POSITION:
		if listing.GetPosition().GetRow() != 0 || listing.GetPosition().GetSide() != 0 {
			return names.PositionText(listing.GetPosition())
		}
	case fitmentv1.Evidence_DONOR_DRIVE_SIDE:
		if side := listing.GetDonor().GetDriveSide(); side != fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED {
			return side.String()
		}
	case fitmentv1.Evidence_DONOR_MODEL_YEAR:
		if year := listing.GetDonor().GetModelYear(); year != 0 {
			return strconv.Itoa(int(year))
		}
	case fitmentv1.Evidence_DONOR_VIN:
		return listing.GetDonor().GetVin()
	case fitmentv1.Evidence_PART_MAKER:
		return listing.GetPartMaker()
	default:
	}
	return ""
}
