package quote

import (
	"fmt"
	"strconv"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/trust"
	"beltwright.example/services/quote/working"
)

// boundLevel is the confidence of an option's lower bound.
const boundLevel = 0.95

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
	steps := append(belief.Workings, working.Step{
		Number: "chance of passing", Formula: decimal(belief.Alpha) + " / (" + decimal(belief.Alpha) + " + " + decimal(belief.Beta) + ")",
		Value: decimal(belief.Mean()), Source: belief.Source,
	})
	option.Workings = append(option.GetWorkings(), WorkingProtos(steps)...)
	option.Workings = append(option.Workings, &quotev1.Working{
		Number:  "lower bound of the chance",
		Formula: fmt.Sprintf("the chance at which %d or more of %d parts pass 1 time in 20, unreported ones counted as failed", record.Passed, record.Reported()+record.Unreported),
		Value:   decimal(option.GetLowerBound()), Source: "Clopper and Pearson, Biometrika 26, 1934",
	})
}

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
