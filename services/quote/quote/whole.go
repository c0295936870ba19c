package quote

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/working"
)

// maxParallel is how many lines may ask for what may be chosen between where several
// parts may be bought at once: that takes up to a second for each.
const maxParallel = 4

// Whole is what became of all lines of a quote.
type Whole struct {
	// Lines in the order of the inputs.
	Lines []Result
	// Basket is how the sellers were chosen together; nil for a single line.
	Basket *quotev1.Basket
	// Total is what the customer pays, nil where a line has nothing to buy; Workings
	// say how basket and total came about.
	Total    *quotev1.QuoteTotal
	Workings []working.Step
	// GoodUntil is when the first price that a plan counts on runs out; zero where
	// none does.
	GoodUntil time.Time
	// Notices are cautions and disclosures of all lines, each a sentence.
	Notices []string
}

// WeighAll weighs the lines of one quote: each goes through the gate by itself,
// then their first purchases are chosen together, since a seller charges freight
// once, and each line's plan opens with the chosen one. No listing serves two
// lines. The inputs differ in need, labour and what is offered, and the first one
// alone has itemised supplies. Stop, where not nil, ends the search for a cheaper
// basket, and with it the listing of what may be chosen between.
func WeighAll(lines []Input, stop func() bool) (Whole, error) {
	var whole Whole
	if len(lines) > maxParallel && lines[0].Parallel && lines[0].Choices {
		lines = slices.Clone(lines)
		for i := range lines {
			lines[i].Choices = false
		}
		whole.Notices = append(whole.Notices, noticeChoices)
	}
	if len(lines) == 1 {
		result, err := Weigh(lines[0])
		if err != nil {
			return Whole{}, err
		}
		whole.Lines = []Result{result}
	} else {
		fields := make([]*field, len(lines))
		for i, in := range lines {
			fields[i] = newField(in)
		}
		if err := whole.weigh(fields, stop); err != nil {
			return Whole{}, err
		}
	}
	whole.collect()
	return whole, whole.bill(lines)
}

// weigh chooses the first purchases together and plans every line.
func (w *Whole) weigh(fields []*field, stop func() bool) error {
	firsts := make([]*candidate, len(fields))
	if !slices.ContainsFunc(fields, func(f *field) bool { return len(f.priced) == 0 }) {
		b, err := fill(fields, stop)
		if err != nil {
			return err
		}
		w.Basket, w.Workings, firsts = b.proto(), b.workings(), b.firsts()
	}
	waived := waive(firsts)
	all := together{currency: fields[0].in.Currency}
	for i, f := range fields {
		if f.in.Choices && stop != nil && stop() {
			f.in.Choices = false
			w.Notices = append(w.Notices, noticeTime)
		}
		for j, first := range firsts {
			if first != nil && j != i && strings.HasPrefix(first.option.GetSource(), "listings/") {
				f.without(first.option.GetSource(), fmt.Sprintf("is chosen for line %d of this quote", j+1))
			}
		}
		p, err := f.purchaseFrom(firsts[i], waived[i])
		if err != nil {
			return fmt.Errorf("line %d: %w", i+1, err)
		}
		w.Lines = append(w.Lines, f.result(p))
		all.lines = append(all.lines, p.law)
		for _, name := range p.plan.GetOrder() {
			if !strings.HasPrefix(name, "listings/") {
				continue
			}
			for _, later := range fields[i+1:] {
				later.without(name, fmt.Sprintf("line %d of this quote would try it", i+1))
			}
		}
	}
	if w.Basket != nil {
		note, steps := all.tell()
		w.Basket.Notes, w.Workings = append(w.Basket.GetNotes(), note), append(w.Workings, steps...)
	}
	return nil
}

// waive is what each line's first purchase need not pay of freight and handling,
// because another line's pays it: of one seller's parts the one with the highest
// charge pays.
func waive(firsts []*candidate) []int64 {
	waived := make([]int64, len(firsts))
	for _, of := range []func(*candidate) int64{
		func(c *candidate) int64 { return c.base },
		func(c *candidate) int64 { return c.option.GetHandling() },
	} {
		payer := make(map[string]int)
		for i, first := range firsts {
			if first == nil {
				continue
			}
			key := sellerKey(first.option.GetSource())
			if at, known := payer[key]; !known || of(first) > of(firsts[at]) {
				payer[key] = i
			}
		}
		for i, first := range firsts {
			if first != nil && payer[sellerKey(first.option.GetSource())] != i {
				waived[i] += of(first)
			}
		}
	}
	return waived
}

// collect gathers what the lines say for the whole quote.
func (w *Whole) collect() {
	for _, line := range w.Lines {
		if end := line.GoodUntil; !end.IsZero() && (w.GoodUntil.IsZero() || end.Before(w.GoodUntil)) {
			w.GoodUntil = end
		}
		w.Notices = append(w.Notices, line.Notices...)
	}
	if w.Basket != nil {
		w.Notices = append([]string{noticeBasket}, w.Notices...)
	}
	w.Notices = unique(w.Notices, maxNotices)
}

// bill adds up what the customer pays.
func (w *Whole) bill(lines []Input) error {
	first := lines[0]
	b := Bill{Currency: first.Currency, Supplies: first.Supplies, Rate: first.Tax, Pack: first.Pack}
	for _, line := range w.Lines {
		option := FirstBuy(line.Options)
		if option == nil {
			return nil
		}
		b.Bought = append(b.Bought, option)
	}
	total, steps, err := Total(b)
	w.Total, w.Workings = total, append(w.Workings, steps...)
	return err
}

// Firsts are the sources of the lines' first purchases; empty where a line has
// none.
func (w *Whole) Firsts() []string {
	sources := make([]string, len(w.Lines))
	for i, line := range w.Lines {
		sources[i] = FirstBuy(line.Options).GetSource()
	}
	return sources
}

// SameVehicle tells whether two needs are of the same repair: on one vehicle,
// fitted in one place.
func SameVehicle(a, b *fitmentv1.Need) bool {
	return proto.Equal(a.GetVehicle(), b.GetVehicle()) && a.GetJurisdiction() == b.GetJurisdiction()
}
