package document

import (
	"fmt"
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/repair"
)

// RepairOrder draws the record of a repair as PDF, from complaint to proof and
// warranty. The quote is the one that the work is done on, nil where there is none
// yet; it says who allowed the work. An order that is not closed says so. Errors:
// paper.ErrSize, and what cannot be drawn.
func RepairOrder(r *quotev1.RepairOrder, q *quotev1.Quote, from Letterhead, size paper.Size) ([]byte, error) {
	title := "Repair order " + r.GetNumber()
	sheet := paper.Sheet{Size: size, Title: title, Foot: from.Name, Made: made(r.GetCreateTime())}
	return paper.Render(sheet, func(d *paper.Doc) {
		from.draw(d)
		d.Title(title)
		p := repairPage{Doc: d, r: r, q: q}
		p.head()
		p.parts()
		p.steps()
		p.end()
	})
}

// repairPage is a repair order being drawn.
type repairPage struct {
	*paper.Doc

	r *quotev1.RepairOrder
	q *quotev1.Quote
}

func (p repairPage) head() {
	r := p.r
	p.Pairs([]paper.Pair{
		{Name: "state", Value: words(r.GetState())},
		{Name: "opened", Value: moment(r.GetCreateTime())},
		{Name: "closed", Value: moment(r.GetCloseTime())},
		{Name: "customer", Value: r.GetCustomer()},
		{Name: "vehicle", Value: vehicle(r.GetVehicle())},
		{Name: "quote", Value: r.GetQuote()},
	})
	p.Heading("Complaint")
	p.Text(r.GetComplaint())
	if len(r.GetNeeds()) > 0 {
		p.Heading("What the vehicle lacks")
		p.List(needs(r.GetNeeds()))
	}
}

func needs(all []*fitmentv1.Need) []string {
	texts := make([]string, 0, len(all))
	for _, need := range all {
		texts = append(texts, prose.Joined(", ", partOf(need.GetKind(), need.GetPosition()), prose.Joined(" ", need.GetPartMaker(), need.GetPartNumber())))
	}
	return texts
}

// parts lists what was bought and what became of it.
func (p repairPage) parts() {
	rows := make([]paper.Row, 0, len(p.r.GetPurchases()))
	for _, each := range p.r.GetPurchases() {
		due := ""
		if each.GetRefundDue() > 0 {
			due = cash(each.GetRefundDue(), each.GetCurrencyCode())
		}
		rows = append(rows, paper.Row{Cells: []string{
			each.GetSource(), strconv.Itoa(int(each.GetLine())), words(each.GetState()), due, each.GetReturnedAs(), warranty(each.GetWarrantyDays()),
		}})
	}
	if len(rows) == 0 {
		return
	}
	p.Heading("Parts")
	p.Table([]paper.Column{
		{Name: "part", Share: 3},
		{Name: "line", Share: 0.6, Number: true},
		{Name: "state", Share: 1.2},
		{Name: repair.RefundName, Share: 1.8},
		{Name: "went back as", Share: 3},
		{Name: "warranty", Share: 1.1},
	}, rows)
}

// steps writes every step in its order.
func (p repairPage) steps() {
	for i, step := range p.r.GetSteps() {
		name, said := told(p.r, p.q, step)
		p.Heading(fmt.Sprintf("%d. %s", i+1, name))
		p.Small(prose.Joined(", ", moment(step.GetTime()), labelled("by", step.GetBy())))
		p.List(said)
	}
}

// end says how the order ended, or what is next.
func (p repairPage) end() {
	switch p.r.GetState() {
	case quotev1.RepairOrder_CLOSED:
		p.Gap(3)
		p.Strong("The repair is proven and the order is closed; this record does not change any more.")
	case quotev1.RepairOrder_ABANDONED:
		p.Gap(3)
		p.Strong("The order was given up. This record proves no repair.")
		p.List(p.r.GetNext())
	default:
		if len(p.r.GetNext()) > 0 {
			p.Heading("What is next")
			p.List(p.r.GetNext())
		}
		p.Gap(3)
		p.Strong("The order is not closed. This record proves no repair yet.")
	}
}
