package evidence_test

import (
	"errors"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// The forms are those of ISO 8601 (from memory): year, month and day of reduced
// and full precision; February has 29 days in leap years.
func TestParsePeriod(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, first, last string }{
		{"2006", "2006-01-01", "2006-12-31"},
		{"2008-02", "2008-02-01", "2008-02-29"},
		{"2007-02", "2007-02-01", "2007-02-28"},
		{" 2006-03-14 ", "2006-03-14", "2006-03-14"},
	} {
		first, last, err := evidence.ParsePeriod(c.text)
		if err != nil || first.Format(time.DateOnly) != c.first || last.Format(time.DateOnly) != c.last {
			t.Errorf("%q: %v to %v, %v; want %s to %s", c.text, first, last, err, c.first, c.last)
		}
	}
	for _, text := range []string{"", "06", "2006-13", "2006-02-30", "March 2006", "0000", "2006-3"} {
		if _, _, err := evidence.ParsePeriod(text); !errors.Is(err, evidence.ErrPeriod) {
			t.Errorf("%q: %v; want ErrPeriod", text, err)
		}
	}
}

// Two scans that list the same codes in another order and manner agree.
func TestCodesOfTwoScansAgree(t *testing.T) {
	t.Parallel()
	key := func(value string) string {
		text, ok := evidence.Key(fitmentv1.Evidence_DONOR_CODES, value)
		if !ok {
			t.Errorf("%q cannot be read", value)
		}
		return text
	}
	if a, b := key("b0058:1a, B0051"), key("B0051; B0058-1A\nb0051"); a != b || a != "B0051, B0058-1A" {
		t.Errorf("keys %q and %q", a, b)
	}
	if key("None") != "NONE" {
		t.Errorf("none is %q", key("None"))
	}
	if _, ok := evidence.Key(fitmentv1.Evidence_DONOR_CODES, " , "); ok {
		t.Error("an empty list is taken for codes; none is written none")
	}
}
