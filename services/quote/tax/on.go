package tax

import (
	"fmt"
	"slices"
	"strings"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/working"
)

// Charge is an amount, in minor units, of one kind.
type Charge struct {
	Line   Line
	Amount int64
}

// On is the tax at a rate on those of some charges that the place taxes, with its
// workings under the number's name. It is rounded once, on their sum, or on each
// charge where the place has it so.
func (p Pack) On(number string, rate money.Percent, currency string, charges []Charge) (int64, []working.Step, error) {
	taxed := slices.DeleteFunc(slices.Clone(charges), func(c Charge) bool { return c.Amount == 0 || !p.Taxes(c.Line) })
	rounded := p.onSum
	if p.RoundsByLine() {
		rounded = p.onEach
	}
	value, steps, err := rounded(number, rate, currency, taxed)
	if err != nil {
		return 0, nil, fmt.Errorf("%s: %w", number, err)
	}
	return value, steps, nil
}

func (p Pack) onSum(number string, rate money.Percent, currency string, taxed []Charge) (int64, []working.Step, error) {
	amounts, terms := make([]int64, 0, len(taxed)), make([]string, 0, len(taxed))
	var sources []string
	for _, c := range taxed {
		amounts, terms = append(amounts, c.Amount), append(terms, working.Term(c.Amount, currency))
		if source := p.Taxed[c.Line].Source; source != "" && !slices.Contains(sources, source) {
			sources = append(sources, source)
		}
	}
	if len(terms) == 0 {
		terms = append(terms, working.Term(0, currency))
	}
	base, err := money.Sum(amounts...)
	if err != nil {
		return 0, nil, err //nolint:wrapcheck // On names it
	}
	value, err := rate.Of(base)
	if err != nil {
		return 0, nil, err //nolint:wrapcheck // On names it
	}
	formula := rate.String() + " % × (" + strings.Join(terms, " + ") + ")" + working.Rounded
	return value, []working.Step{{Number: number, Formula: formula, Value: amount.Format(value, currency), Source: strings.Join(sources, "; ")}}, nil
}

func (p Pack) onEach(number string, rate money.Percent, currency string, taxed []Charge) (int64, []working.Step, error) {
	values, steps := make([]int64, 0, len(taxed)), make([]working.Step, 0, len(taxed)+1)
	for _, c := range taxed {
		value, err := rate.Of(c.Amount)
		if err != nil {
			return 0, nil, err //nolint:wrapcheck // On names it
		}
		values = append(values, value)
		steps = append(steps, working.Step{
			Number: "tax on " + c.Line.Words(), Formula: rate.String() + " % × " + working.Term(c.Amount, currency) + working.Rounded,
			Value: amount.Format(value, currency), Source: p.Taxed[c.Line].Source,
		})
	}
	total, err := money.Sum(values...)
	if err != nil {
		return 0, nil, err //nolint:wrapcheck // On names it
	}
	sum := working.Sum(number, currency, total, values...)
	sum.Source = p.Rounding.Source
	return total, append(steps, sum), nil
}
