// Package document draws what a yard puts on paper for a listed part: the tag
// that stays with it, and the facts that the papers of a shipment must have. It is
// pure: the same listing at the same time gives the same bytes. The donor's VIN is
// masked on all of it, since anybody may read a tag.
package document

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
)

// usedPart says what every listed part is, as 16 CFR 20.1(b) wants it said on the
// packaging too.
const usedPart = "used part, taken from another vehicle"

// masked is the listing as anybody may see it.
func masked(l *fitmentv1.Listing, now time.Time) *fitmentv1.Listing {
	return listing.View(l, identity.Principal{}, now)
}

// cautions are what whoever handles the part must know.
func cautions(kind fitmentv1.Part_Kind) []string {
	if !rules.HasSquib(kind) {
		return []string{"Keep dry, and keep the connector clean. (common practice, no source)"}
	}
	return []string{
		"Live part: it can fire. Away from heat, sparks and static; carry and store it as its maker says. (common practice, no source)",
		"The shorting clip stays in the connector. (common practice, no source)",
		"No meter on its connector, whatever the meter: service texts of three vehicle makers forbid it on a live squib.",
		"Waiting never makes it safe: what has not fired is live however old it is. (rescue training; common practice)",
		"Pack and ship it by the rules for dangerous goods, by somebody trained for them. (49 CFR 173.166; 49 CFR 172.704, from memory)",
		"It is never thrown away: air-bag waste goes to a designated facility. (40 CFR 261.4(j))",
	}
}

// pairs say which part it is and where it is from.
func pairs(l *fitmentv1.Listing) []paper.Pair {
	return []paper.Pair{
		{Name: "what it is", Value: usedPart},
		{Name: "part", Value: prose.Joined(" ", l.GetPartMaker(), l.GetPartNumber())},
		{Name: "from", Value: donor(l.GetDonor())},
		{Name: "yard", Value: prose.Joined(", ", l.GetYard(), l.GetJurisdiction())},
		{Name: "was sold before as", Value: l.GetReturnOf()},
		{Name: "note", Value: l.GetNote()},
	}
}

// donor names the vehicle that a part is from.
func donor(v *fitmentv1.Vehicle) string {
	year := ""
	if v.GetModelYear() > 0 {
		year = strconv.Itoa(int(v.GetModelYear()))
	}
	vin := ""
	if v.GetVin() != "" {
		vin = "VIN " + v.GetVin()
	}
	return prose.Joined(", ", prose.Joined(" ", year, v.GetMake(), v.GetModel(), v.GetBody()), vin)
}

// place names a position.
func place(p *fitmentv1.Position) string {
	row := ""
	if p.GetRow() > 0 {
		row = fmt.Sprintf("row %d", p.GetRow())
	}
	return prose.Joined(" ", row, words(p.GetSide()))
}

// words makes an enum value readable; the unspecified one is nothing.
func words(value fmt.Stringer) string {
	text := value.String()
	if strings.HasSuffix(text, "_UNSPECIFIED") {
		return ""
	}
	text = strings.ToLower(strings.ReplaceAll(text, "_", " "))
	return strings.ReplaceAll(text, " vin", " VIN")
}
