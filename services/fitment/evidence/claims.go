package evidence

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
)

// attributes is one more than the highest attribute number.
const attributes = int(fitmentv1.Evidence_MANUFACTURED) + 1

// Fact is what all statements about one attribute come to. The zero Fact means:
// nothing is known.
type Fact struct {
	// Value is the value as first stated at the highest level.
	Value string
	// Key is the value in the form that is compared: folded text, a number
	// without ornaments, "yes" or "no".
	Key string
	// Level is the highest level among agreeing statements.
	Level fitmentv1.Evidence_Level
	// Conflict is true where statements disagree or one cannot be read; the
	// value then means nothing.
	Conflict bool
	// Date is the latest day of a statement at the highest level, as text.
	Date string
}

// Known tells whether there is a value that no statement contradicts.
func (f Fact) Known() bool { return f.Key != "" && !f.Conflict }

// Proven tells whether the value is known and shown or confirmed. Claimed alone
// never proves anything.
func (f Fact) Proven() bool { return f.Known() && f.Level >= fitmentv1.Evidence_SHOWN }

// Claims is what is known of one listing, an attribute at a time. It is a value:
// a copy with other facts (see With) leaves the original alone.
type Claims struct {
	listing *fitmentv1.Listing
	facts   [attributes]Fact
}

// ClaimsOf reads a listing. Its plain fields (part number, kind, position, donor)
// count as claimed; entries of its evidence raise them or conflict with them.
// Loop readings are several by nature (one a stage) and never conflict here.
func ClaimsOf(listing *fitmentv1.Listing) Claims {
	c := Claims{listing: listing}
	for attribute := range attributes {
		if value := plain(listing, fitmentv1.Evidence_Attribute(attribute)); value != "" {
			c.add(fitmentv1.Evidence_Attribute(attribute), value, fitmentv1.Evidence_CLAIMED, "")
		}
	}
	for _, e := range listing.GetEvidence() {
		c.add(e.GetAttribute(), e.GetValue(), e.GetLevel(), e.GetDate())
	}
	return c
}

// Listing is the listing that the claims are about.
func (c *Claims) Listing() *fitmentv1.Listing { return c.listing }

// Fact returns what is known of an attribute.
func (c *Claims) Fact(attribute fitmentv1.Evidence_Attribute) Fact {
	if attribute < 0 || int(attribute) >= attributes {
		return Fact{}
	}
	return c.facts[attribute]
}

// With returns a copy in which the attribute stands as shown with the value,
// whatever was stated before; it serves to ask what an answer would change.
func (c *Claims) With(attribute fitmentv1.Evidence_Attribute, value, date string) Claims {
	changed := *c
	if attribute < 0 || int(attribute) >= attributes {
		return changed
	}
	changed.facts[attribute] = Fact{}
	changed.add(attribute, value, fitmentv1.Evidence_SHOWN, date)
	return changed
}

// Bool reads a yes-or-no attribute. Yes and No here are what the statements say;
// proven tells whether they are shown or confirmed.
func (c *Claims) Bool(attribute fitmentv1.Evidence_Attribute) (answer Answer, proven bool) {
	fact := c.Fact(attribute)
	if !fact.Known() {
		return Unknown, false
	}
	return Of(fact.Key == yes), fact.Proven()
}

// Text reads an attribute as text.
func (c *Claims) Text(attribute fitmentv1.Evidence_Attribute) (value string, known, proven bool) {
	fact := c.Fact(attribute)
	return fact.Value, fact.Known(), fact.Proven()
}

// Number reads a numeric attribute; known is false where the text is no number.
func (c *Claims) Number(attribute fitmentv1.Evidence_Attribute) (value float64, known, proven bool) {
	fact := c.Fact(attribute)
	if !fact.Known() {
		return 0, false, false
	}
	value, err := strconv.ParseFloat(fact.Key, 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, false, false
	}
	return value, true, fact.Proven()
}

// Statements lists everything stated about the attributes, the listing's plain
// fields written out as claims of its yard.
func (c *Claims) Statements(about ...fitmentv1.Evidence_Attribute) []*fitmentv1.Evidence {
	var stated []*fitmentv1.Evidence
	for _, attribute := range about {
		if value := plain(c.listing, attribute); value != "" {
			stated = append(stated, &fitmentv1.Evidence{
				Attribute: attribute, Value: value, Level: fitmentv1.Evidence_CLAIMED,
				By: c.listing.GetYard(), How: "stated in the listing",
			})
		}
		for _, e := range c.listing.GetEvidence() {
			if e.GetAttribute() == attribute {
				stated = append(stated, e)
			}
		}
	}
	return stated
}

// add merges one statement into an attribute's fact.
func (c *Claims) add(attribute fitmentv1.Evidence_Attribute, value string, level fitmentv1.Evidence_Level, date string) {
	if attribute <= 0 || int(attribute) >= attributes {
		return
	}
	fact := &c.facts[attribute]
	level = max(level, fitmentv1.Evidence_CLAIMED)
	key, ok := Key(attribute, value)
	switch {
	case !ok:
		fact.Conflict = true
	case fact.Key == "" || fact.Key == key:
	case attribute != fitmentv1.Evidence_LOOP_RESISTANCE:
		fact.Conflict = true
	}
	switch {
	case fact.Key == "" || level > fact.Level:
		*fact = Fact{Value: value, Key: key, Level: level, Conflict: fact.Conflict, Date: date}
	case level == fact.Level && date > fact.Date:
		fact.Date = date
	}
}

const (
	yes = "yes"
	no  = "no"
)

// Key brings a value into the form in which two values of an attribute are
// compared; ok is false where the value is none that the attribute can have.
func Key(attribute fitmentv1.Evidence_Attribute, value string) (key string, ok bool) {
	switch attribute {
	case fitmentv1.Evidence_PART_NUMBER:
		key, err := names.NumberKey(value)
		return key, err == nil
	case fitmentv1.Evidence_PART_KIND:
		kind, ok := fitmentv1.Part_Kind_value[strings.ToUpper(strings.TrimSpace(value))]
		if !ok || kind == 0 {
			return "", false
		}
		return fitmentv1.Part_Kind(kind).String(), true
	case fitmentv1.Evidence_PART_POSITION:
		position, err := names.ParsePosition(value)
		if err != nil {
			return "", false
		}
		return names.PositionText(position), true
	case fitmentv1.Evidence_DONOR_DRIVE_SIDE:
		side := strings.ToUpper(strings.TrimSpace(value))
		return side, side == "LEFT" || side == "RIGHT"
	case fitmentv1.Evidence_DONOR_VIN:
		vin := strings.ToUpper(strings.TrimSpace(value))
		return vin, vin != ""
	case fitmentv1.Evidence_DONOR_MODEL_YEAR, fitmentv1.Evidence_CONNECTOR_CAVITIES, fitmentv1.Evidence_STAGES:
		number, err := strconv.ParseUint(strings.TrimSpace(value), 10, 16)
		return strconv.FormatUint(number, 10), err == nil && number > 0
	case fitmentv1.Evidence_CONNECTOR_INTERFACE, fitmentv1.Evidence_CONNECTOR_KEYING, fitmentv1.Evidence_PULLED_BY, fitmentv1.Evidence_PART_MAKER:
		folded := names.Fold(value)
		return folded, folded != ""
	case fitmentv1.Evidence_DONOR_CODES:
		return codeList(value)
	case fitmentv1.Evidence_MANUFACTURED:
		first, _, err := ParsePeriod(value)
		return strings.TrimSpace(value), err == nil && !first.IsZero()
	case fitmentv1.Evidence_LOOP_RESISTANCE:
		return "reading", true
	case fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED:
		return "", false
	default:
		answer := names.Fold(value)
		return answer, answer == yes || answer == no
	}
}

// codeList writes trouble codes in capitals, each once and in order, so that two
// scans that list the same codes agree. Whether they are codes at all is for
// whoever reads them.
func codeList(value string) (key string, ok bool) {
	codes := strings.FieldsFunc(strings.ToUpper(value), func(r rune) bool { return r == ',' || r == ';' || unicode.IsSpace(r) })
	for i, c := range codes {
		codes[i] = strings.ReplaceAll(c, ":", "-")
	}
	slices.Sort(codes)
	return strings.Join(slices.Compact(codes), ", "), len(codes) > 0
}
