package quote

import (
	"fmt"
	"slices"
	"strconv"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/trust"
	"beltwright.example/services/quote/working"
)

const (
	// boundLevel is the confidence of an option's lower bound.
	boundLevel = 0.95
	// chancePlaces is with how many decimal places workings write a chance.
	chancePlaces = 6
)

// beliefs are what is believed of sellers' chances, by condition and seller.
type beliefs map[quotev1.Offer_Condition]map[string]trust.Belief

// believe works out the beliefs of every seller who takes part, from the records
// of all sellers.
func (in Input) believe(candidates []*candidate) beliefs {
	all := make(beliefs)
	records := make(map[quotev1.Offer_Condition]map[string]trust.Record)
	for _, c := range candidates {
		condition := c.option.GetCondition()
		if records[condition] == nil {
			records[condition] = make(map[string]trust.Record)
			for seller, tally := range in.Tallies[condition] {
				records[condition][seller] = tally.Record()
			}
		}
		seller := c.seller()
		records[condition][seller] = in.Tallies[condition][seller].Record()
	}
	for condition, of := range records {
		all[condition] = trust.Pool(in.Priors.For(trustCondition(condition)), of)
	}
	return all
}

// seller is the candidate's seller as resource names spell it.
func (c *candidate) seller() string {
	seller, err := SellerOf(c.option.GetSource())
	if err != nil {
		return c.option.GetSource() // unlike every seller: it has a slash
	}
	return seller
}

// chance fills in how likely an option passes its arrival check, and how little
// the records of its seller prove about that.
func (in Input) chance(option *quotev1.Option) {
	seller, err := SellerOf(option.GetSource())
	if err != nil {
		seller = option.GetSource()
	}
	tally := in.Tallies[option.GetCondition()][seller]
	record := tally.Record()
	belief, known := in.beliefs[option.GetCondition()][seller]
	if !known {
		prior := in.Priors.For(trustCondition(option.GetCondition()))
		belief = trust.Pool(prior, map[string]trust.Record{seller: record})[seller]
	}
	option.Passed = int32(record.Passed)
	option.Outcomes = int32(record.Reported())
	option.Unreported = int32(record.Unreported)
	option.PassProbability = belief.Mean()
	option.LowerBound = record.LowerBound(boundLevel)
	steps := append(slices.Clone(belief.Workings), boundStep(record))
	option.Workings = append(option.GetWorkings(), WorkingProtos(steps)...)
}

// boundStep is the working of an option's lower bound.
func boundStep(record trust.Record) working.Step {
	bound := strconv.FormatFloat(record.LowerBound(boundLevel), 'f', chancePlaces, 64)
	parts := record.Reported() + max(record.Unreported, 0)
	why := "since none is known to have passed"
	if record.Passed > 0 {
		why = fmt.Sprintf("at which %d or more of %d parts pass 1 time in 20", record.Passed, parts)
	}
	return working.Step{
		Number: "lower bound of the chance", Formula: bound + ", " + why + "; unreported ones count as failed",
		Value: bound, Source: "Clopper and Pearson, Biometrika 26, 1934",
	}
}
