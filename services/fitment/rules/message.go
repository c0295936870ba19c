package rules

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// MaxMessage bounds a message to a yard, in characters.
const MaxMessage = 2000

// The sentences around the questions of a message.
const (
	messageSquib = "Please put no meter on a live squib: a photo, a document or the value that a restraint module reported is enough."
	nobodyMeters = "Nobody should put a meter on a live squib."
	messageMore  = "There is more to ask once we have these."
	messageEnd   = "Thank you."
)

// elsewhere are the attributes that a shop finds out without the yard.
var elsewhere = []Attribute{fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED, aRecallOpen, aProgrammable}

// FromYard tells whether evidence about an attribute is the yard's to give. What the
// vehicle is, open recalls, and whether a module can be set up for another vehicle,
// a shop finds out itself.
func FromYard(attribute Attribute) bool { return !slices.Contains(elsewhere, attribute) }

// MessageToYard writes what is missing of a listing to its yard, as far as a yard
// can give it: numbered sentences in the order given, plain text, at most
// MaxMessage characters; what has no room is left for later, and the message says
// so. It is empty where nothing is missing that a yard could give. It tells nothing
// of the vehicle that the part is for, and asks nobody to put a meter on a live
// squib.
func MessageToYard(listing *fitmentv1.Listing, missing []*fitmentv1.MissingEvidence) string {
	var questions []string
	for _, m := range missing {
		if text := please(m.GetAsk()); FromYard(m.GetAttribute()) && text != "" && !slices.Contains(questions, text) {
			questions = append(questions, text)
		}
	}
	if len(questions) == 0 {
		return ""
	}
	lines := []string{"Hello, before we can decide on " + named(listing) + ", we need to know more about it. In order of use to us:"}
	if len(questions) == 1 {
		lines[0] = "Hello, before we can decide on " + named(listing) + ", we need to know one thing about it:"
	}
	room := MaxMessage - utf8.RuneCountInString(strings.Join([]string{lines[0], messageSquib, messageMore, messageEnd}, "\n"))
	meters := false // a question says already that nobody meters a live squib
	for i, question := range questions {
		line := fmt.Sprintf("%d. %s", i+1, question)
		if room -= 1 + utf8.RuneCountInString(line); room < 0 {
			lines = append(lines, messageMore)
			break
		}
		meters = meters || strings.Contains(line, nobodyMeters)
		lines = append(lines, line)
	}
	if !meters {
		lines = append(lines, messageSquib)
	}
	return strings.Join(append(lines, messageEnd), "\n")
}

// named says which part is meant, by the stock number where it is one.
func named(listing *fitmentv1.Listing) string {
	number := listing.GetStockNumber()
	odd := func(r rune) bool {
		return (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') && r != '-' && r != '_'
	}
	if number == "" || len(number) > maxStockNumber || strings.ContainsFunc(number, odd) {
		return "your part"
	}
	return "your part with stock number " + number
}

// maxStockNumber is the greatest length of a stock number.
const maxStockNumber = 40

// please turns what a shop is told to do into the question to the yard, one line.
func please(ask string) string {
	text := strings.Join(strings.Fields(ask), " ")
	for _, way := range [...]struct{ told, asked string }{
		{"Ask the yard for ", "Please send us "}, {"Ask the yard ", "Please tell us "}, {"Get evidence ", "Please send us evidence "},
	} {
		if rest, found := strings.CutPrefix(text, way.told); found {
			return way.asked + rest
		}
	}
	return text
}
