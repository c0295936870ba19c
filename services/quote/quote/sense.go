package quote

import (
	"errors"
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const (
	yes     = fitmentv1.Finding_YES
	no      = fitmentv1.Finding_NO
	unknown = fitmentv1.Finding_UNKNOWN
)

// SenseDonor tells whether a decided listing makes sense as an answer to the
// need. An answer that contradicts itself, or says that something fits without
// saying why, comes from something broken, and nothing may be concluded from it.
func SenseDonor(need *fitmentv1.Need, donor *fitmentv1.Donor) error {
	listing := donor.GetListing()
	if err := senseListing(listing); err != nil {
		return err
	}
	if err := SenseDecided(need, listing, donor.GetDecision()); err != nil {
		return fmt.Errorf("%s: %w", listing.GetName(), err)
	}
	return nil
}

// SenseDecided tells whether a decision makes sense for this need and listing,
// stored or not: what is said to fit must be of the kind needed and bear a
// number. An empty listing never fits.
func SenseDecided(need *fitmentv1.Need, listing *fitmentv1.Listing, decision *fitmentv1.Decision) error {
	if err := SenseDecision(decision); err != nil || decision.GetVerdict() != fitmentv1.Decision_FITS {
		return err
	}
	numbered := shows(listing, fitmentv1.Evidence_PART_NUMBER, "")
	switch kind, needed := listing.GetKind(), need.GetKind(); {
	case needed == fitmentv1.Part_KIND_UNSPECIFIED:
		return errors.New("is said to fit a need for nothing")
	case kind == fitmentv1.Part_KIND_UNSPECIFIED && (numbered || shows(listing, fitmentv1.Evidence_PART_KIND, needed.String())):
		// its evidence stands for what it does not state
	case kind != needed:
		return fmt.Errorf("is of kind %s and yet said to fit a need for %s", kind, needed)
	}
	if !numbered && strings.TrimSpace(listing.GetPartNumber()) == "" {
		return errors.New("is said to fit without a part number")
	}
	return nil
}

// shows tells whether a listing's evidence goes beyond a claim on an attribute;
// a value, where one is asked for, must be the one stated.
func shows(listing *fitmentv1.Listing, attribute fitmentv1.Evidence_Attribute, value string) bool {
	for _, e := range listing.GetEvidence() {
		proves := e.GetLevel() == fitmentv1.Evidence_SHOWN || e.GetLevel() == fitmentv1.Evidence_CONFIRMED
		stated := strings.TrimSpace(e.GetValue())
		if proves && e.GetAttribute() == attribute && stated != "" && (value == "" || strings.EqualFold(stated, value)) {
			return true
		}
	}
	return false
}

func senseListing(listing *fitmentv1.Listing) error {
	terms := listing.GetTerms()
	switch name := listing.GetName(); {
	case !strings.HasPrefix(name, "listings/") || !sourceName.MatchString(name):
		return fmt.Errorf("%.80q is no listing's name", name)
	case name != "listings/"+listing.GetYard()+"."+listing.GetStockNumber():
		return fmt.Errorf("%s: says that it is %.40q of yard %.40q", name, listing.GetStockNumber(), listing.GetYard())
	case min(listing.GetPrice(), terms.GetFreight(), terms.GetHandling(), terms.GetReturnFreight(), terms.GetCoreDeposit()) < 0:
		return fmt.Errorf("%s: has a negative amount", name)
	case terms.GetRestockingBasisPoints() < 0 || terms.GetRestockingBasisPoints() > 100_00 || terms.GetDays() < 0:
		return fmt.Errorf("%s: has impossible terms", name)
	}
	return nil
}

// GatingFamilies are the families of rules that a yes to fit or to reuse rests
// on. The fitment side answers by every rule every time, so a yes that leaves a
// family out is the answer of something broken, or of something that this side
// does not know.
func GatingFamilies(severity fitmentv1.Finding_Severity) []string {
	switch severity {
	case fitmentv1.Finding_FIT:
		return []string{"identity", "number", "years", "connector", "electrical", "provenance"}
	case fitmentv1.Finding_REUSE:
		return []string{"connector", "electrical", "module", "deployment", "condition", "maker", "history", "age", "recall", "jurisdiction", "provenance"}
	default:
		return nil
	}
}

// SenseDecision tells whether a decision agrees with itself: the verdict with
// fit and reuse, and a yes with every finding that it rests on.
func SenseDecision(decision *fitmentv1.Decision) error {
	fit, reuse := decision.GetFit(), decision.GetReuse()
	if !stated(fit) || !stated(reuse) {
		return errors.New("fit or reuse is not answered")
	}
	if got, want := decision.GetVerdict(), verdict(fit, reuse); got != want {
		return fmt.Errorf("verdict %s contradicts fit %s and reuse %s", got, fit, reuse)
	}
	if err := senseFindings(decision, fitmentv1.Finding_FIT, fit); err != nil {
		return err
	}
	return senseFindings(decision, fitmentv1.Finding_REUSE, reuse)
}

// senseFindings checks a yes: it needs findings of every gating family, all of
// them yes.
func senseFindings(decision *fitmentv1.Decision, severity fitmentv1.Finding_Severity, answer fitmentv1.Finding_Answer) error {
	if answer != yes {
		return nil
	}
	proven := make(map[string]bool)
	for _, finding := range decision.GetFindings() {
		if finding.GetSeverity() != severity {
			continue
		}
		if finding.GetAnswer() != yes {
			return fmt.Errorf("%s is said to be proven although %s answers %s", severity, finding.GetRule(), finding.GetAnswer())
		}
		proven[finding.GetFamily()] = true
	}
	for _, family := range GatingFamilies(severity) {
		if !proven[family] {
			return fmt.Errorf("%s is said to be proven without a finding on %s", severity, family)
		}
	}
	return nil
}

// SensePart tells whether a part match makes sense as an answer to the need.
func SensePart(need *fitmentv1.Need, match *fitmentv1.PartMatch) error {
	part := match.GetPart()
	_, readable := partKey(part.GetMaker(), part.GetNumber())
	switch {
	case !readable:
		return fmt.Errorf("part %.80q of maker %.80q is no part", part.GetNumber(), part.GetMaker())
	case !stated(match.GetApplication().GetAnswer()) || !stated(match.GetRecall().GetAnswer()):
		return fmt.Errorf("part %s: application or recall is not answered", part.GetNumber())
	case match.GetApplication().GetAnswer() == yes && part.GetKind() != need.GetKind():
		return fmt.Errorf("part %s: is of kind %s and yet said to be right for a need for %s", part.GetNumber(), part.GetKind(), need.GetKind())
	}
	return nil
}

func stated(answer fitmentv1.Finding_Answer) bool {
	return answer == yes || answer == no || answer == unknown
}

// verdict is what people are shown for the two answers; barred wins.
func verdict(fit, reuse fitmentv1.Finding_Answer) fitmentv1.Decision_Verdict {
	switch {
	case reuse == no:
		return fitmentv1.Decision_BARRED
	case fit == no:
		return fitmentv1.Decision_DOES_NOT_FIT
	case fit == yes && reuse == yes:
		return fitmentv1.Decision_FITS
	default:
		return fitmentv1.Decision_PROVE_FIRST
	}
}
