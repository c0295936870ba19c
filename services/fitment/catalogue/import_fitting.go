package catalogue

import (
	"fmt"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
)

// Columns about what fitting a part takes.
const (
	colOneUse      = "one_use"
	colReplaceWith = "replace_with"
	colFitting     = "fitting_known"
	colProgramming = "programming"
	colDonorPolicy = "donor_policy"
)

// nothing empties a list that was stored, where an empty cell leaves it.
const nothing = "none"

// fittingColumns describe the columns about what fitting a part takes.
func fittingColumns() []imports.Column {
	return []imports.Column{
		{Name: colOneUse, Help: `fasteners and locks that are used once, several joined by semicolons, each as "what | how many | number"; the number may be left out ("anchor bolt | 2 | 90-11; lock clip | 1"); "none" empties the list`},
		{Name: colReplaceWith, Help: `parts that the maker wants replaced with it, several joined by semicolons, each as "kind | always or after deployment | number | why"; number and why may be left out ("CONTROL_MODULE | after deployment"); "none" empties the list`},
		{Name: colFitting, Help: "yes where one_use and replace_with are all that the maker lists"},
		{Name: colProgramming, Help: "what a part that holds data needs in another vehicle: NONE, SETUP (by the maker's procedure) or LOCKED (bound to its first vehicle)"},
		{Name: colDonorPolicy, Help: "what the vehicle's maker says of such a part from another vehicle: ALLOWED or FORBIDDEN"},
	}
}

// fitting is what a row states about fitting a part. A list that is stated may be
// empty.
type fitting struct {
	statedOneUse, statedRelated bool
	known, statedKnown          bool
}

// readFitting reads the cells about fitting into a part.
func readFitting(row imports.Row, part *fitmentv1.Part, fields *check.Fields) fitting {
	stated := fitting{statedOneUse: row.Has(colOneUse), statedRelated: row.Has(colReplaceWith)}
	stated.known, stated.statedKnown = row.YesNo(colFitting, fields)
	part.OneUse = list(row.Text(colOneUse), fields, oneUse)
	part.ReplaceWith = list(row.Text(colReplaceWith), fields, related)
	part.Programming = fitmentv1.Part_Programming(enum(row, colProgramming, fitmentv1.Part_Programming_value, fields))
	part.DonorPolicy = fitmentv1.Part_DonorPolicy(enum(row, colDonorPolicy, fitmentv1.Part_DonorPolicy_value, fields))
	return stated
}

// list reads a cell of entries up to the first that is wrong.
func list[E any](cell string, fields *check.Fields, read func(pieces []string, fields *check.Fields) *E) []*E {
	if cell == "" || strings.EqualFold(cell, nothing) {
		return nil
	}
	var found []*E
	for entry := range strings.SplitSeq(cell, ";") {
		pieces := strings.Split(entry, "|")
		for i := range pieces {
			pieces[i] = strings.TrimSpace(pieces[i])
		}
		one := read(pieces, fields)
		if one == nil {
			return nil
		}
		found = append(found, one)
	}
	return found
}

// piece is the piece at a place, empty where there is none.
func piece(pieces []string, at int) string {
	if at >= len(pieces) {
		return ""
	}
	return pieces[at]
}

// oneUse reads "what | how many | number"; nil where it is wrong.
func oneUse(pieces []string, fields *check.Fields) *fitmentv1.Part_OneUse {
	quantity, err := strconv.ParseInt(piece(pieces, 1), 10, 32)
	if err != nil || len(pieces) > 3 {
		fields.Add(colOneUse, fmt.Sprintf("%.60q is no entry", strings.Join(pieces, " | ")), `"what | how many | number" with a whole number of pieces, such as "anchor bolt | 2 | 90-11"`)
		return nil
	}
	return &fitmentv1.Part_OneUse{Text: pieces[0], Quantity: int32(quantity), Number: piece(pieces, 2)}
}

// related reads "kind | when | number | why"; nil where it is wrong.
func related(pieces []string, fields *check.Fields) *fitmentv1.Part_Related {
	kind := fitmentv1.Part_Kind_value[enumName(pieces[0])]
	when := Fold(piece(pieces, 1))
	if kind == 0 || (when != "always" && when != "after deployment") || len(pieces) > 4 {
		fields.Add(colReplaceWith, fmt.Sprintf("%.60q is no entry", strings.Join(pieces, " | ")),
			`"kind | always or after deployment | number | why", such as "CONTROL_MODULE | after deployment"; kinds are `+kinds())
		return nil
	}
	return &fitmentv1.Part_Related{
		Kind: fitmentv1.Part_Kind(kind), AfterDeployment: when == "after deployment", Number: piece(pieces, 2), Text: piece(pieces, 3),
	}
}

// apply lays what the row states over the part, whose lists were set aside.
func (f fitting) apply(part, stored, stated *fitmentv1.Part) {
	part.OneUse, part.ReplaceWith = stored.GetOneUse(), stored.GetReplaceWith()
	if f.statedOneUse {
		part.OneUse = stated.GetOneUse()
	}
	if f.statedRelated {
		part.ReplaceWith = stated.GetReplaceWith()
	}
	if f.statedKnown {
		part.FittingKnown = f.known
	}
}
