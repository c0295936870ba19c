package reference

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

type attribute = fitmentv1.Evidence_Attribute

const (
	aNumber       = fitmentv1.Evidence_PART_NUMBER
	aKind         = fitmentv1.Evidence_PART_KIND
	aPosition     = fitmentv1.Evidence_PART_POSITION
	aDriveSide    = fitmentv1.Evidence_DONOR_DRIVE_SIDE
	aYear         = fitmentv1.Evidence_DONOR_MODEL_YEAR
	aVIN          = fitmentv1.Evidence_DONOR_VIN
	aInterface    = fitmentv1.Evidence_CONNECTOR_INTERFACE
	aKeying       = fitmentv1.Evidence_CONNECTOR_KEYING
	aCavities     = fitmentv1.Evidence_CONNECTOR_CAVITIES
	aClip         = fitmentv1.Evidence_SHORTING_CLIP_PRESENT
	aPigtail      = fitmentv1.Evidence_PIGTAIL_CUT
	aStages       = fitmentv1.Evidence_STAGES
	aLoop         = fitmentv1.Evidence_LOOP_RESISTANCE
	aMarks        = fitmentv1.Evidence_DEPLOYMENT_MARKS
	aCrash        = fitmentv1.Evidence_CRASH_RECORD
	aCode         = fitmentv1.Evidence_DEPLOYMENT_CODE
	aBelt         = fitmentv1.Evidence_BELT_IN_USE_COLLISION
	aFlood        = fitmentv1.Evidence_FLOOD
	aFire         = fitmentv1.Evidence_FIRE
	aOpen         = fitmentv1.Evidence_RECALL_OPEN
	aLegible      = fitmentv1.Evidence_LABEL_LEGIBLE
	aPulledBy     = fitmentv1.Evidence_PULLED_BY
	aRemedied     = fitmentv1.Evidence_RECALL_REMEDIED
	aMaker        = fitmentv1.Evidence_PART_MAKER
	aCodes        = fitmentv1.Evidence_DONOR_CODES
	aDamage       = fitmentv1.Evidence_DAMAGE
	aBlemish      = fitmentv1.Evidence_COSMETIC_DAMAGE
	aProgrammable = fitmentv1.Evidence_PROGRAMMABLE
	aMade         = fitmentv1.Evidence_MANUFACTURED
)

const (
	yes = "yes"
	no  = "no"
)

// told is what all statements about one attribute come to.
type told struct {
	// value is what they say, in the form in which values are compared; empty
	// where nothing is said.
	value string
	// torn is true where they contradict each other or one cannot be read.
	torn bool
	// proven is true where one of them is shown or confirmed, confirmed where one
	// is confirmed.
	proven, confirmed bool
	// day is the latest day among those that are best supported, as text.
	day string
}

// said tells whether there is a value that can be relied on to be what is stated.
func (t told) said() bool { return t.value != "" && !t.torn }

// sure tells whether it is proven too.
func (t told) sure() bool { return t.said() && t.proven }

// listen gathers the statements about an attribute: what the listing says in its
// own fields is a claim like any other.
func listen(listing *fitmentv1.Listing, about attribute) told {
	var t told
	best := fitmentv1.Evidence_CLAIMED
	if own := ownWords(listing, about); own != "" {
		t = t.and(about, own)
	}
	for _, e := range listing.GetEvidence() {
		if e.GetAttribute() != about {
			continue
		}
		t = t.and(about, e.GetValue())
		switch level := max(e.GetLevel(), fitmentv1.Evidence_CLAIMED); {
		case level > best:
			best, t.day = level, e.GetDate()
		case level == best:
			t.day = max(t.day, e.GetDate())
		}
	}
	t.proven, t.confirmed = best >= fitmentv1.Evidence_SHOWN, best >= fitmentv1.Evidence_CONFIRMED
	return t
}

// and adds one statement.
func (t told) and(about attribute, text string) told {
	value, readable := plain(about, text)
	if !readable || (t.value != "" && t.value != value) {
		t.torn = true
	}
	if readable {
		t.value = value
	}
	return t
}

// ownWords is what the listing's own fields say about an attribute.
func ownWords(l *fitmentv1.Listing, about attribute) string {
	donor := l.GetDonor()
	switch {
	case about == aNumber:
		return l.GetPartNumber()
	case about == aMaker:
		return l.GetPartMaker()
	case about == aVIN:
		return donor.GetVin()
	case about == aKind && l.GetKind() != 0:
		return l.GetKind().String()
	case about == aPosition && l.GetPosition().GetRow()+int32(l.GetPosition().GetSide()) != 0:
		return seat(l.GetPosition())
	case about == aDriveSide && donor.GetDriveSide() != 0:
		return donor.GetDriveSide().String()
	case about == aYear && donor.GetModelYear() != 0:
		return strconv.Itoa(int(donor.GetModelYear()))
	}
	return ""
}

// seat writes a position as statements do.
func seat(p *fitmentv1.Position) string {
	return strconv.Itoa(int(p.GetRow())) + " " + p.GetSide().String()
}

// Forms of values that are more than a word.
var (
	positions = regexp.MustCompile(`^[1-9] (LEFT|RIGHT|CENTRE)$`)
	numbers   = regexp.MustCompile(`^0*[1-9][0-9]{0,4}$`)
	dates     = regexp.MustCompile(`^[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?$`)
	words     = regexp.MustCompile(`[,;\s]+`)
)

// plain brings a value into the form in which values of its attribute are
// compared; ok is false where it is none that the attribute can have.
func plain(about attribute, text string) (value string, ok bool) {
	folded := strings.ToUpper(fold(text))
	switch about {
	case aNumber:
		value = partNumber(text)
		return value, value != ""
	case aMaker, aInterface, aKeying, aPulledBy:
		return fold(text), folded != ""
	case aVIN:
		value = strings.ToUpper(strings.TrimSpace(text))
		return value, value != ""
	case aKind:
		return folded, fitmentv1.Part_Kind_value[folded] > 0
	case aPosition:
		return folded, positions.MatchString(folded)
	case aDriveSide:
		return folded, folded == "LEFT" || folded == "RIGHT"
	case aYear, aCavities, aStages:
		n, err := strconv.Atoi(strings.TrimSpace(text))
		return strconv.Itoa(n), err == nil && numbers.MatchString(strings.TrimSpace(text)) && n < 1<<16
	case aCodes:
		list := words.Split(strings.Trim(folded, ",; "), -1)
		slices.Sort(list)
		value = strings.ReplaceAll(strings.Join(slices.Compact(list), ","), ":", "-")
		return value, value != ""
	case aMade:
		_, _, ok := period(text)
		return strings.TrimSpace(text), ok
	default:
		return fold(text), folded == "YES" || folded == "NO"
	}
}

// fold brings a name into the form in which names are compared. Letters and
// digits of full width (U+FF01 to U+FF5E) are the plain ones.
func fold(name string) string {
	narrow := strings.Map(func(r rune) rune {
		switch {
		case r >= 0xFF01 && r <= 0xFF5E:
			return r - 0xFF01 + '!'
		case r == 0x3000:
			return ' '
		}
		return r
	}, name)
	return strings.Join(strings.Fields(strings.ToLower(narrow)), " ")
}

// partNumber brings a part number into the form in which two are compared, empty
// where the text is none.
func partNumber(text string) string {
	upper := strings.ToUpper(fold(text))
	for _, ornament := range []string{" ", ".", "-", "/"} {
		upper = strings.ReplaceAll(upper, ornament, "")
	}
	if len(upper) > 40 || strings.Trim(upper, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789") != "" {
		return ""
	}
	return upper
}

// period reads a year, a month or a day as the first and the last day that it
// means.
func period(text string) (first, last time.Time, ok bool) {
	text = strings.TrimSpace(text)
	if !dates.MatchString(text) || strings.HasPrefix(text, "0000") {
		return first, last, false
	}
	first, err := time.Parse(time.DateOnly, text+"-01-01"[len(text)-len("2006"):])
	switch len(text) {
	case len("2006"):
		last = time.Date(first.Year(), time.December, 31, 0, 0, 0, 0, time.UTC)
	case len("2006-01"):
		last = time.Date(first.Year(), first.Month()+1, 0, 0, 0, 0, 0, time.UTC)
	default:
		last = first
	}
	return first, last, err == nil
}
