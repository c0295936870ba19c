package plain

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// columns is the width of the text.
const columns = 80

// writer puts text together and numbers the sources that it cites.
type writer struct {
	text    strings.Builder
	sources []string
}

func (w *writer) line(text string) {
	w.text.WriteString(text)
	w.text.WriteByte('\n')
}

func (w *writer) gap() { w.text.WriteByte('\n') }

func (w *writer) heading(title string) {
	w.gap()
	w.line(title)
}

// paragraph writes a text in lines that all begin with indent.
func (w *writer) paragraph(indent, text string) { w.fill(indent, indent, text) }

// item writes a text behind a mark; its further lines are set in.
func (w *writer) item(mark, text string) {
	w.fill(mark, strings.Repeat(" ", utf8.RuneCountInString(mark)), text)
}

// fill breaks a text between words. A word that is longer than a line stands whole.
func (w *writer) fill(first, further, text string) {
	line, empty := first, true
	for one := range strings.FieldsSeq(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(one) > columns {
			w.line(line)
			line, empty = further, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+one, false
	}
	w.line(strings.TrimRight(line, " "))
}

// source gives a source its number.
func (w *writer) source(text string) string {
	if text == "" {
		return ""
	}
	at := slices.Index(w.sources, text)
	if at < 0 {
		at = len(w.sources)
		w.sources = append(w.sources, text)
	}
	return fmt.Sprintf(" [%d]", at+1)
}

// word makes an enum value readable.
func word(value fmt.Stringer) string {
	return strings.ToLower(strings.ReplaceAll(value.String(), "_", " "))
}

// stated are the values in reasons that the API writes as the names of constants.
var stated = regexp.MustCompile(`\b(?:(\d) )?([A-Z]+(?:_[A-Z]+)*)\b`)

// Reason is a finding's reason with kinds, positions and sides in words, as they are
// asked for: "row 1 right" for "1 RIGHT". Other reasons may hold what a label or a
// maker says, and are left as they are.
func Reason(f *fitmentv1.Finding) string {
	switch f.GetRule() {
	case "identity.kind", "identity.position", "identity.drive_side":
	default:
		return f.GetReason()
	}
	return inWords(f.GetReason())
}

// ruled finds the rules in the reason why something is kept out of a quote, such as
// "identity, kind: " for the rule identity.kind.
var ruled = regexp.MustCompile(`(?:^|: |; )([a-z]+(?:, [a-z_]+)+): `)

// Excluded is the reason why something is kept out of a quote, with kinds, positions
// and sides in words as Reason has them.
func Excluded(reason string) string {
	var text strings.Builder
	rule, from := "", 0
	tell := func(until int) {
		text.WriteString(Reason(&fitmentv1.Finding{Rule: rule, Reason: reason[from:until]}))
		from = until
	}
	for _, at := range ruled.FindAllStringSubmatchIndex(reason, -1) {
		tell(at[1])
		rule = strings.ReplaceAll(reason[at[2]:at[3]], ", ", ".")
	}
	tell(len(reason))
	return text.String()
}

// inWords writes the names of constants in words.
func inWords(reason string) string {
	return stated.ReplaceAllStringFunc(reason, func(text string) string {
		row, name, split := strings.Cut(text, " ")
		if !split {
			row, name = "", text
		}
		_, kind := fitmentv1.Part_Kind_value[name]
		_, side := fitmentv1.Position_Side_value[name]
		switch {
		case split && side:
			return "row " + row + " " + strings.ToLower(name)
		case !split && (kind || side):
			return strings.ToLower(strings.ReplaceAll(name, "_", " "))
		default:
			return text
		}
	})
}

func minutes(value float64) string { return fmt.Sprintf("%.0f min", value) }

func many(count int, what string) string {
	if count == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", count, what)
}
