package evidence_test

import (
	"strings"
	"testing"
	"time"

	"beltwright.example/services/fitment/evidence"
)

// FuzzParsePeriod: what reads as a period is the year, month or day that its
// digits say, whole days from the first to the last.
func FuzzParsePeriod(f *testing.F) {
	for _, seed := range []string{"2006", "2006-03", "2006-03-14", "2004-02-29", "2005-02-29", "0000", "9999-12-31", "2006-3", " 2006 ", "２００６", "+2006", "2006-13", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		first, last, err := evidence.ParsePeriod(text)
		if err != nil {
			if !first.IsZero() || !last.IsZero() {
				t.Fatalf("%q: %v to %v beside %v", text, first, last, err)
			}
			return
		}
		written := strings.TrimSpace(text)
		midnight := func(at time.Time) bool { return at.Equal(at.Truncate(24*time.Hour)) && at.Location() == time.UTC }
		if last.Before(first) || !midnight(first) || !midnight(last) || len(written) > len(time.DateOnly) {
			t.Fatalf("%q is %v to %v", text, first, last)
		}
		for _, day := range []time.Time{first, last} {
			if !strings.HasPrefix(day.Format(time.DateOnly), written) {
				t.Fatalf("%q is %v to %v", text, first, last)
			}
		}
		for _, day := range []time.Time{first.AddDate(0, 0, -1), last.AddDate(0, 0, 1)} {
			if strings.HasPrefix(day.Format(time.DateOnly), written) {
				t.Fatalf("%q is %v to %v, yet %v belongs to it", text, first, last, day)
			}
		}
	})
}
