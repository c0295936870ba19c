package jurisdiction

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/datafile"
)

// Limits of a pack.
const (
	maxLines   = 200       // provisions, obligations, notes, words and places, each
	maxText    = 2000      // characters of a text
	maxAgeDays = 100 * 366 // of evidence
	maxYears   = 100       // for which a record is kept
)

var (
	placeShape = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)
	wordShape  = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)
)

// check tells what is wrong with a pack by itself, naming the field.
func (p *Pack) check() error {
	switch {
	case !placeShape.MatchString(p.Jurisdiction):
		return fmt.Errorf(`jurisdiction: %.20q is no place by ISO 3166, such as "US-WA"`, p.Jurisdiction)
	case p.Within != "" && !placeShape.MatchString(p.Within):
		return fmt.Errorf(`within: %.20q is no place by ISO 3166, such as "US"`, p.Within)
	case p.Within == p.Jurisdiction:
		return errors.New("within: a place does not lie in itself")
	case len(p.Provisions) > maxLines || len(p.Obligations) > maxLines || len(p.Notes) > maxLines || len(p.Also) > maxLines:
		return fmt.Errorf("at most %d provisions, obligations, notes and places in also", maxLines)
	}
	if day, err := time.Parse(time.DateOnly, p.Version); err != nil || day.Year() < 1 {
		return fmt.Errorf("version: %.20q is no day, YYYY-MM-DD", p.Version)
	}
	if err := datafile.Sentence("place", p.Place, maxText); err != nil {
		return err
	}
	for i, also := range p.Also {
		if !placeShape.MatchString(also) || also == p.Jurisdiction || slices.Contains(p.Also[:i], also) {
			return fmt.Errorf("also[%d]: %.20q is no other place by ISO 3166, or is there twice", i, also)
		}
	}
	for i, note := range p.Notes {
		if err := datafile.Sentence(fmt.Sprintf("notes[%d]", i), note, maxText); err != nil {
			return err
		}
	}
	return p.checkLines()
}

func (p *Pack) checkLines() error {
	ids := make(map[string]bool, len(p.Provisions))
	for i := range p.Provisions {
		provision := &p.Provisions[i]
		if err := provision.check(p.Jurisdiction); err != nil {
			return fmt.Errorf("provisions[%d].%w", i, err)
		}
		if ids[provision.ID] {
			return fmt.Errorf("provisions[%d].id: %q is there twice", i, provision.ID)
		}
		ids[provision.ID] = true
	}
	for i, obligation := range p.Obligations {
		if err := checkObligation(p.Jurisdiction, obligation.Obligation); err != nil {
			return fmt.Errorf("obligations[%d].%w", i, err)
		}
		if err := checkKinds(obligation.Kinds); err != nil {
			return fmt.Errorf("obligations[%d].%w", i, err)
		}
	}
	return nil
}

func (p *Provision) check(place string) error {
	word, ok := strings.CutPrefix(p.ID, place+".")
	if !ok || !wordShape.MatchString(word) || len(word) > 60 {
		return fmt.Errorf(`id: %.60q; expected the place, a dot and small letters, such as %q`, p.ID, place+".donor-vin")
	}
	if err := checkKinds(p.Kinds); err != nil {
		return err
	}
	if err := errors.Join(datafile.Sentence("text", p.Text, maxText), datafile.Sentence("source", p.Source, maxText)); err != nil {
		return err
	}
	return p.checkCondition()
}

func checkKinds(kinds []fitmentv1.Part_Kind) error {
	for i, kind := range kinds {
		if fitmentv1.Part_Kind_name[int32(kind)] == "" || kind == 0 || slices.Contains(kinds[:i], kind) {
			return fmt.Errorf("kinds[%d]: %v is no kind of part, or is there twice", i, kind)
		}
	}
	return nil
}

func (p *Provision) checkCondition() error {
	switch p.Condition {
	case Forbidden, NeverRecalled:
		if p.Attribute != 0 || p.Value != "" || p.MaxAgeDays != 0 {
			return fmt.Errorf("condition: %q asks for no attribute, value or max_age_days", p.Condition)
		}
		return nil
	case Evidence:
	default:
		return fmt.Errorf("condition: %.60q is none of %s, %s, %s", p.Condition, Forbidden, NeverRecalled, Evidence)
	}
	switch {
	case !slices.Contains(attributes, p.Attribute):
		return fmt.Errorf("attribute: %v is none of %v", p.Attribute, attributes)
	case p.Value != "" && p.Value != "yes" && p.Value != "no":
		return fmt.Errorf(`value: %.20q is neither "yes" nor "no", nor left out`, p.Value)
	case p.Value != "" && !yesOrNo(p.Attribute):
		return fmt.Errorf("value: %v is not answered by yes or no; leave it out to ask that it is known", p.Attribute)
	case p.MaxAgeDays < 0 || p.MaxAgeDays > maxAgeDays:
		return fmt.Errorf("max_age_days: %d is not between 0 and %d", p.MaxAgeDays, maxAgeDays)
	case p.MaxAgeDays > 0 && p.Value == "":
		return errors.New("max_age_days: only together with a value")
	}
	return nil
}

func checkObligation(place string, o *fitmentv1.Obligation) error {
	switch {
	case o == nil || o.GetJurisdiction() != place:
		return fmt.Errorf("jurisdiction: %.20q is not the pack's", o.GetJurisdiction())
	case fitmentv1.Obligation_Type_name[int32(o.GetType())] == "" || o.GetType() == 0:
		return fmt.Errorf("type: %v is none", o.GetType())
	case fitmentv1.Obligation_Party_name[int32(o.GetParty())] == "":
		return fmt.Errorf("party: %v is none", o.GetParty())
	case len(o.GetWords()) > maxLines:
		return fmt.Errorf("words: at most %d", maxLines)
	case o.GetYears() < 0 || o.GetYears() > maxYears:
		return fmt.Errorf("years: %d is not between 0 and %d", o.GetYears(), maxYears)
	case o.GetYears() > 0 && o.GetType() != fitmentv1.Obligation_KEEP:
		return fmt.Errorf("years: only for %v", fitmentv1.Obligation_KEEP)
	case o.GetType() == fitmentv1.Obligation_FORBIDDEN_WORDS && len(o.GetWords()) == 0:
		return errors.New("words: which words are forbidden?")
	}
	switch o.GetType() {
	case fitmentv1.Obligation_DISCLOSE, fitmentv1.Obligation_INVOICE, fitmentv1.Obligation_FORBIDDEN_WORDS:
	default:
		if len(o.GetWords()) > 0 {
			return fmt.Errorf("words: none for %v", o.GetType())
		}
	}
	for i, word := range o.GetWords() {
		if err := datafile.Sentence(fmt.Sprintf("words[%d]", i), word, maxText); err != nil {
			return err
		}
	}
	return errors.Join(datafile.Sentence("text", o.GetText(), maxText), datafile.Sentence("source", o.GetSource(), maxText))
}
