package repair

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// diagnose records what the vehicle lacks. A need that the assessment does not
// justify takes a reason; so does every need where nothing was read.
func (c *change) diagnose(d *quotev1.Diagnosis) error {
	const field = "step.diagnosis."
	if n := len(d.GetNeeds()); n == 0 || n > quote.MaxLines {
		c.fields.Add(field+"needs", fmt.Sprintf("has %d needs", n), fmt.Sprintf("1 to %d", quote.MaxLines))
		return nil
	}
	c.fields.Text(field+"reason", d.GetReason(), maxReason, false)
	needs := make([]*fitmentv1.Need, 0, len(d.GetNeeds()))
	var unproven []string
	for i, said := range d.GetNeeds() {
		at := fmt.Sprintf("%sneeds[%d].", field, i)
		need := proto.CloneOf(said)
		if need.GetVehicle() == nil {
			need.Vehicle = proto.CloneOf(c.order.GetVehicle())
		}
		if difference := OtherVehicle(c.order.GetVehicle(), need.GetVehicle()); difference != "" {
			c.fields.Add(at+"vehicle", "is another vehicle: "+difference, "the order's, or nothing")
		}
		checkVehicle(need.GetVehicle(), at+"vehicle.", &c.fields)
		checkPart(need.GetKind(), need.GetPosition(), at, &c.fields)
		c.fields.Text(at+"part_maker", need.GetPartMaker(), maxName, false)
		c.fields.Text(at+"part_number", need.GetPartNumber(), maxName, false)
		c.fields.Text(at+"jurisdiction", need.GetJurisdiction(), maxName, false)
		key := keyOf(need.GetKind(), need.GetPosition())
		if slices.ContainsFunc(needs, func(other *fitmentv1.Need) bool { return keyOf(other.GetKind(), other.GetPosition()) == key }) {
			c.fields.Add(at+"position", key.String()+" is named twice", "each part once")
		}
		if !Justified(d.GetAssessed(), need) {
			unproven = append(unproven, key.String())
		}
		needs = append(needs, need)
	}
	if len(unproven) > 0 && strings.TrimSpace(d.GetReason()) == "" {
		c.fields.Add(field+"reason", strings.TrimSpace("is missing, and what was read does not justify buying: "+strings.Join(unproven, ", ")+". "+d.GetAssessed().GetPurchaseReason()),
			"why the part is replaced all the same, or readings and tests that prove it to be at fault")
	}
	c.order.Needs = needs
	c.drop()
	c.order.Quote, c.order.State = "", quotev1.RepairOrder_DIAGNOSED
	return nil
}

// drop takes back what was only to be bought next.
func (c *change) drop() {
	c.order.Purchases = slices.DeleteFunc(c.order.GetPurchases(), func(p *quotev1.Purchase) bool { return p.GetState() == quotev1.Purchase_NEXT })
}

// Justified tells whether an assessment justifies buying a part: buying is
// justified, and this part is more probably at fault than anything that is no part,
// and at least half as probably as the most probable part (common practice, no
// source: several parts may be at fault together).
func Justified(assessed *fitmentv1.AssessFaultResponse, need *fitmentv1.Need) bool {
	if assessed.GetPurchase() != fitmentv1.AssessFaultResponse_JUSTIFIED {
		return false
	}
	var own, best, other float64
	for _, suspect := range assessed.GetSuspects() {
		p := suspect.GetProbability()
		if suspect.GetComponent() != fitmentv1.Suspect_PART {
			other = max(other, p)
			continue
		}
		best = max(best, p)
		if keyOf(suspect.GetKind(), suspect.GetPosition()) == keyOf(need.GetKind(), need.GetPosition()) {
			own = max(own, p)
		}
	}
	return own > other && own >= best/2
}

// OtherVehicle says in what two vehicles are not the same; empty where nothing
// that both state differs and enough is the same to tell.
func OtherVehicle(a, b *fitmentv1.Vehicle) string {
	same := 0
	for _, one := range []struct{ what, a, b string }{
		{"VIN", a.GetVin(), b.GetVin()}, {"make", a.GetMake(), b.GetMake()}, {"model", a.GetModel(), b.GetModel()},
	} {
		x, y := fold(one.a), fold(one.b)
		switch {
		case x == "" || y == "":
		case x != y:
			return fmt.Sprintf("%s %s instead of %s", one.what, one.b, one.a)
		case one.what == "VIN":
			same += 2
		default:
			same++
		}
	}
	if x, y := a.GetModelYear(), b.GetModelYear(); x != 0 && y != 0 && x != y {
		return fmt.Sprintf("model year %d instead of %d", y, x)
	}
	if same < 2 {
		return "neither the VIN nor make and model are stated of both"
	}
	return ""
}

// fold is a text for comparing: case and spaces do not count.
func fold(text string) string { return strings.ToLower(strings.Join(strings.Fields(text), " ")) }
