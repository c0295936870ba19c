package landed

import (
	"fmt"
	"slices"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
)

// sheet works out a Breakdown part by part; each part may use those before it.
type sheet struct {
	in  Input
	out Breakdown
}

const minutesPerHour = 60

// money writes an amount as formulas have it.
func (s *sheet) money(value int64) string { return amount.Format(value, s.in.Currency) }

// note keeps the working of a number.
func (s *sheet) note(number, formula string, value int64, source string) {
	s.out.Workings = append(s.out.Workings, working.Step{
		Number: number, Formula: formula, Value: s.money(value), Source: source,
	})
}

// sum adds amounts and keeps the working, in which what is 0 does not stand.
func (s *sheet) sum(number string, terms ...int64) (int64, error) {
	total, err := money.Sum(terms...)
	if err != nil {
		return 0, fmt.Errorf("%s: %w", number, err)
	}
	terms = slices.DeleteFunc(terms, func(term int64) bool { return term == 0 })
	s.out.Workings = append(s.out.Workings, working.Sum(number, s.in.Currency, total, terms...))
	return total, nil
}

func (s *sheet) freight() error {
	terms := s.in.Freight
	value, err := terms.For(s.in.WeightGrams)
	if err != nil {
		return err
	}
	s.out.Freight = value
	if terms.PerKilogram != 0 {
		s.note("freight", fmt.Sprintf("%s + %d × %s", s.money(terms.Base), startedKilograms(s.in.WeightGrams), s.money(terms.PerKilogram)),
			value, "the seller's terms, by started kilograms")
	}
	return nil
}

func (s *sheet) labour() error {
	for _, work := range []struct {
		number  string
		minutes int32
		into    *int64
	}{
		{"labour of the check", s.in.CheckMinutes, &s.out.CheckLabour},
		{"labour of fitting", s.in.FitMinutes, &s.out.FitLabour},
	} {
		value, err := money.Ratio(s.in.HourlyRate, int64(work.minutes), minutesPerHour)
		if err != nil {
			return fmt.Errorf("%s: %w", work.number, err)
		}
		if *work.into = value; value != 0 {
			s.note(work.number, fmt.Sprintf("%d / %d × %s", work.minutes, minutesPerHour, s.money(s.in.HourlyRate))+working.Rounded, value, "")
		}
	}
	return nil
}

func (s *sheet) supplies() (err error) {
	supplies := s.in.Supplies
	if supplies.Percent.IsZero() {
		amounts := make([]int64, 0, len(supplies.Items))
		for _, item := range supplies.Items {
			amounts = append(amounts, item.Amount)
		}
		if len(amounts) > 0 {
			s.out.Supplies, err = s.sum("supplies", amounts...)
		}
		return err
	}
	labour, err := money.Sum(s.out.CheckLabour, s.out.FitLabour)
	if err == nil {
		s.out.Supplies, err = supplies.Percent.Of(labour)
	}
	if err != nil {
		return fmt.Errorf("supplies: %w", err)
	}
	s.note("supplies", fmt.Sprintf("%s %% × (%s + %s)", supplies.Percent, s.money(s.out.CheckLabour), s.money(s.out.FitLabour))+working.Rounded, s.out.Supplies, "")
	return nil
}

// charges lists everything but tax.
func (s *sheet) charges() error {
	add := func(id tax.Line, label string, value int64) {
		if value != 0 || id == tax.Part {
			s.out.Lines = append(s.out.Lines, Line{ID: id, Label: label, Amount: value, Taxed: s.in.Pack.Taxes(id)})
		}
	}
	add(tax.Part, "Part", s.in.Price)
	add(tax.Core, "Core deposit", s.in.CoreDeposit)
	add(tax.Freight, "Freight", s.out.Freight)
	add(tax.Handling, "Handling of dangerous goods", s.in.Handling)
	add(tax.CheckLabour, "Labour of the arrival check", s.out.CheckLabour)
	add(tax.FitLabour, "Labour of fitting and proving", s.out.FitLabour)
	for _, item := range s.in.Supplies.Items {
		add(tax.Supplies, item.Label, item.Amount)
	}
	if percent := s.in.Supplies.Percent; !percent.IsZero() {
		add(tax.Supplies, fmt.Sprintf("Supplies, %s %% of labour", percent), s.out.Supplies)
	}
	return nil
}

// taxOn is the tax on the charges of some kinds, with its workings under a name.
func (s *sheet) taxOn(number string, kinds ...tax.Line) (int64, []working.Step, error) {
	charges := make([]tax.Charge, 0, len(s.out.Lines))
	for _, line := range s.out.Lines {
		if slices.Contains(kinds, line.ID) {
			charges = append(charges, tax.Charge{Line: line.ID, Amount: line.Amount})
		}
	}
	return s.in.Pack.On(number, s.in.Tax, s.in.Currency, charges) //nolint:wrapcheck // it names the number
}

func (s *sheet) tax() error {
	value, steps, err := s.taxOn("tax", tax.Lines()...)
	if err != nil {
		return err
	}
	s.out.Tax = value
	if value != 0 {
		s.out.Workings = append(s.out.Workings, steps...)
		s.out.Lines = append(s.out.Lines, Line{ID: TaxLine, Label: fmt.Sprintf("Tax, %s %%", s.in.Tax), Amount: value})
	}
	return nil
}

// split divides the total into what comes back, what is spent either way and
// what fitting costs. Tax is divided by what would be charged without the rest,
// so that the shares of a sum that is rounded once make that sum.
func (s *sheet) split() error {
	goods, onGoods, err := s.taxOn("tax on part and deposit", tax.Part, tax.Core)
	if err != nil {
		return err
	}
	arrived, onArrived, err := s.taxOn("tax without the fitting", tax.Part, tax.Core, tax.Freight, tax.Handling, tax.CheckLabour)
	if err != nil {
		return err
	}
	if goods != s.out.Tax {
		s.out.Workings = append(s.out.Workings, onGoods...)
		s.out.Workings = append(s.out.Workings, onArrived...)
	}
	for _, share := range []struct {
		into  *int64
		name  string
		terms []int64
	}{
		{&s.out.Refundable, "refundable part", []int64{s.in.Price, s.in.CoreDeposit, goods}},
		{&s.out.Sunk, "sunk part", []int64{s.out.Freight, s.in.Handling, s.out.CheckLabour, arrived - goods}},
		{&s.out.Fitting, "fitting", []int64{s.out.FitLabour, s.out.Supplies, s.out.Tax - arrived}},
	} {
		if *share.into, err = s.sum(share.name, share.terms...); err != nil {
			return err
		}
	}
	s.out.Total, err = s.sum("total", s.out.Refundable, s.out.Sunk, s.out.Fitting)
	return err
}

func (s *sheet) returnLoss() error {
	restocking, err := money.BasisPoints(s.in.Price, s.in.RestockingBasisPoints)
	if err != nil {
		return fmt.Errorf("restocking charge: %w", err)
	}
	rate, err := money.FromBasisPoints(s.in.RestockingBasisPoints)
	if err != nil {
		return fmt.Errorf("restocking charge: %w", err)
	}
	if restocking != 0 {
		s.note("restocking charge", fmt.Sprintf("%s %% × %s", rate, s.money(s.in.Price))+working.Rounded, restocking, "the seller's terms")
	}
	s.out.ReturnLoss, err = s.sum("loss on return", restocking, s.in.ReturnFreight)
	return err
}

func (s *sheet) coreRefund() error {
	if !s.in.Core.Expected || s.in.CoreDeposit == 0 {
		return nil
	}
	with, without := int64(0), int64(0)
	if s.in.Pack.ReturnsCoreTax(s.in.Condition) {
		var steps []working.Step
		var err error
		if with, _, err = s.taxOn("tax on part and deposit", tax.Part, tax.Core); err != nil {
			return err
		}
		if without, steps, err = s.taxOn("tax on the part without its deposit", tax.Part); err != nil {
			return err
		}
		s.out.Workings = append(s.out.Workings, steps...)
	}
	refund, err := money.Sum(s.in.CoreDeposit, with, -without, -s.in.Core.Freight)
	if err != nil {
		return fmt.Errorf("core refund: %w", err)
	}
	formula := s.money(s.in.CoreDeposit)
	if with != without {
		formula += fmt.Sprintf(" + (%s − %s)", s.money(with), s.money(without))
	}
	if s.in.Core.Freight != 0 {
		formula += " − " + s.money(s.in.Core.Freight)
	}
	if refund < 0 {
		refund, formula = 0, s.money(0)+", since sending the old part back costs more than it brings"
	}
	s.out.CoreRefund = refund
	s.note("core refund", formula, refund, s.in.Pack.CoreTaxReturned[s.in.Condition].Source)
	return nil
}
