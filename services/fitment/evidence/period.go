package evidence

import (
	"errors"
	"strings"
	"time"
)

// ErrPeriod means that a text is no year, month or day.
var ErrPeriod = errors.New("is no date: a year, a month or a day such as 2006, 2006-03 or 2006-03-14")

// ParsePeriod reads YYYY, YYYY-MM or YYYY-MM-DD as the first and the last day
// that it covers.
func ParsePeriod(text string) (first, last time.Time, err error) {
	text = strings.TrimSpace(text)
	for _, form := range []struct {
		layout             string
		years, months, day int
	}{{"2006", 1, 0, -1}, {"2006-01", 0, 1, -1}, {time.DateOnly, 0, 0, 0}} {
		if first, err = time.Parse(form.layout, text); err == nil && first.Year() > 0 {
			return first, first.AddDate(form.years, form.months, form.day), nil
		}
	}
	return time.Time{}, time.Time{}, ErrPeriod
}
