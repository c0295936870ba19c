package quote

import (
	"fmt"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
)

// clockSkew is how far ahead of ours the clock may be that an authorization was
// timed by.
const clockSkew = 5 * time.Minute

// CheckAuthorization checks the customer's authorization for what is bought at
// once, and that there is one where the law asks for consent. Total is what is
// accepted comes to.
func CheckAuthorization(bought []*quotev1.Option, a *quotev1.Authorization, total int64, currency string, now time.Time, fields *check.Fields) {
	consent := consents(bought)
	if a == nil {
		if len(consent) > 0 {
			fields.Add("authorization", "is missing, and the law asks for it: "+consent[0].words(), "who allowed the work, and how")
		}
		return
	}
	fields.Text("authorization.by", a.GetBy(), 100, true)
	fields.Text("authorization.note", a.GetNote(), 500, false)
	if _, known := quotev1.Authorization_Method_name[int32(a.GetMethod())]; !known || a.GetMethod() == quotev1.Authorization_METHOD_UNSPECIFIED {
		fields.Add("authorization.method", "is missing or unknown", "SIGNED, WRITTEN or SPOKEN")
	}
	switch at := a.GetTime(); {
	case at == nil || !at.IsValid() || at.AsTime().Unix() <= 0:
		fields.Add("authorization.time", "is missing or no time", "when it was given, such as 2026-03-10T09:30:00Z")
	case at.AsTime().After(now.Add(clockSkew)):
		fields.Add("authorization.time", "lies in the future", "when it was given")
	}
	fields.Int("authorization.up_to", a.GetUpTo(), 0, amount.Max)
	if a.GetUpTo() > 0 && a.GetUpTo() < total {
		fields.Add("authorization.up_to", fmt.Sprintf("%s %s is below what is accepted: %s %s", amount.Format(a.GetUpTo(), currency), currency, amount.Format(total, currency), currency),
			"at least that, or an acceptance of fewer lines")
	}
	for _, c := range consent {
		switch {
		case c.used && !a.GetUsedPart():
			fields.Add("authorization.used_part", "is not given, and the law asks for it: "+c.words(), "true where the customer allows a part of that condition to be fitted")
			return
		case c.written && a.GetMethod() == quotev1.Authorization_SPOKEN:
			fields.Add("authorization.method", "SPOKEN is not what the law asks for: "+c.words(), "SIGNED or WRITTEN")
			return
		}
	}
}

// consent is one that the law asks for.
type consent struct {
	obligation    *fitmentv1.Obligation
	used, written bool
}

func (c consent) words() string {
	return strings.TrimRight(c.obligation.GetText(), ". ") + " (" + c.obligation.GetSource() + ")"
}

// consents are the consents that the law asks for before these options are bought
// and fitted. A consent counts as one in writing where its text says so.
func consents(bought []*quotev1.Option) []consent {
	var all []consent
	for _, option := range bought {
		for _, obligation := range option.GetObligations() {
			if obligation.GetType() != fitmentv1.Obligation_CONSENT {
				continue
			}
			all = append(all, consent{
				obligation: obligation, used: option.GetCondition() == quotev1.Offer_USED,
				written: Says(obligation.GetText(), []string{"written authorization", "signed", "in writing"}),
			})
		}
	}
	return all
}
