package check

import (
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"
)

const (
	// longestProblem and longestQuote bound what an answer says about one field,
	// in characters: callers' text comes back no longer than helps to find it.
	longestProblem = 200
	longestQuote   = 60
)

// quotation is a text in quotation marks as strconv.Quote and %q write it.
var quotation = regexp.MustCompile(`"(?:[^"\\]|\\.)*"`)

// brief shortens the quotations in a problem, so that the words around them stay,
// and then the whole. What was cut ends in an ellipsis.
func brief(problem string) string {
	if len(problem) <= longestQuote {
		return problem
	}
	return cut(quotation.ReplaceAllStringFunc(problem, briefQuotation), longestProblem)
}

// briefQuotation keeps the mark in front and behind.
func briefQuotation(quoted string) string {
	if utf8.RuneCountInString(quoted) <= longestQuote {
		return quoted
	}
	inside := strings.Trim(quoted, `"`)
	if text, err := strconv.Unquote(quoted); err == nil {
		inside = text // so that no escape is cut in two
	}
	for keep := longestQuote - len(`""`); ; keep-- { // escapes make a text longer
		if short := strconv.Quote(cut(inside, keep)); utf8.RuneCountInString(short) <= longestQuote || keep == 0 {
			return short
		}
	}
}

// cut leaves at most so many characters, the last an ellipsis where some are gone.
func cut(text string, most int) string {
	if utf8.RuneCountInString(text) <= most {
		return text
	}
	return string([]rune(text)[:max(most-1, 0)]) + "…"
}
