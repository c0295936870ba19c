package build

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"beltwright.example/services/fitment/vindata"
)

// Reasons for which our answer may differ from the reference decoder's.
const (
	// Weak: the reference takes no key of which at most half is fixed, so it has
	// no model where the key is "*" or "***Z".
	Weak = "weak"
	// BarSet: the reference reads no set behind the bar ("*****|*[ACK]").
	BarSet = "bar-set"
	// Bar: of a key with a bar the reference compares only position 11, so that
	// it takes a model whose positions 4 to 8 are others.
	Bar = "bar"
	// Tie: keys that are equally specific name several models. The reference
	// takes one; we name them all and settle on none.
	Tie = "tie"
	// Share: the reference prefers the key of which the larger share is fixed
	// ("G" over "***ZD"), we the one that fixes more positions.
	Share = "share"
	// Make: the reference takes the make of the weakest model that matches, not
	// that of the model which it names.
	Make = "make"
)

// Explain adds a fifth column to reference answers (VIN, make, model, year): why
// ours, from the embedded data, is another one; it is empty where they agree. A
// difference that none of the reasons explains is an error.
func Explain(set *Set, answers string) ([]byte, error) {
	var out strings.Builder
	var unexplained []error
	for line := range strings.Lines(answers) {
		line = strings.TrimSuffix(line, "\n")
		columns := strings.Split(line, "\t")
		if len(columns) != 4 {
			return nil, fmt.Errorf("%q has no four columns", line)
		}
		year, err := strconv.ParseInt(columns[3], 10, 32)
		if err != nil {
			return nil, fmt.Errorf("%q has no year: %w", line, err)
		}
		d := difference{set: set, number: columns[0], make: columns[1], model: columns[2], year: int(year)}
		d.ours, _ = vindata.Lookup(d.number, int32(year))
		reason := d.reason()
		if reason == "" && (d.ours.Make != d.make || d.ours.Model != d.model) {
			unexplained = append(unexplained, fmt.Errorf("%s: ours is %q %q", line, d.ours.Make, d.ours.Model))
		}
		out.WriteString(line + "\t" + reason + "\n")
	}
	return []byte(out.String()), errors.Join(unexplained...)
}

// difference is a VIN with the reference's answer and ours.
type difference struct {
	set         *Set
	number      string
	make, model string
	year        int
	ours        vindata.Record
}

func (d *difference) reason() string {
	candidate := vindata.Name{Make: d.make, Model: d.model}
	switch {
	case d.ours.Make == d.make && d.ours.Model == d.model:
	case d.ours.Model == "" && slices.Contains(d.ours.Candidates, candidate):
		return Tie
	case d.model == d.ours.Model && d.any(func(p Pattern) bool { return p.Make == d.make && matches(p.Key, d.number) }):
		return Make
	case d.model == "" && !d.any(func(p Pattern) bool { return d.names(p) && matches(p.Key, d.number) && share(p.Key) > 0.5 }):
		return Weak
	case d.model == "" && d.any(func(p Pattern) bool { return d.names(p) && strings.Contains(p.Key, "|*[") }):
		return BarSet
	case d.any(d.byPlantOnly):
		return Bar
	case d.any(func(p Pattern) bool {
		return p.Value == d.model && matches(p.Key, d.number) && share(p.Key) > d.ourShare()
	}):
		return Share
	}
	return ""
}

// names tells whether a pattern names the model that is our answer.
func (d *difference) names(p Pattern) bool { return p.Value == d.ours.Model && p.Make == d.ours.Make }

func (d *difference) ourShare() float64 {
	least := 1.0
	d.any(func(p Pattern) bool {
		if d.names(p) && matches(p.Key, d.number) {
			least = min(least, share(p.Key))
		}
		return false
	})
	return least
}

// byPlantOnly tells whether a pattern names the reference's model, does not
// match, and yet has the VIN's position 11 behind its bar.
func (d *difference) byPlantOnly(p Pattern) bool {
	_, behind, bar := strings.Cut(p.Key, "|")
	return bar && p.Value == d.model && !matches(p.Key, d.number) && len(behind) >= 2 && behind[1] == d.number[10]
}

// any tells whether one of the model patterns that hold for the VIN's maker and
// year has a property.
func (d *difference) any(has func(Pattern) bool) bool {
	code := d.number[:3]
	if code[2] == '9' {
		code += d.number[11:14]
	}
	for _, w := range d.set.WMIs {
		if w.Code != code {
			continue
		}
		for _, u := range w.Uses {
			if d.year < u.From || (u.To != 0 && d.year > u.To) {
				continue
			}
			if slices.ContainsFunc(d.set.Schemas[u.Schema], func(p Pattern) bool { return p.Element == vindata.Model && has(p) }) {
				return true
			}
		}
	}
	return false
}

// cells splits a key into what stands for one position each.
func cells(key string) []string {
	var list []string
	for i := 0; i < len(key); i++ {
		end := i
		if key[i] == '[' {
			end = max(i, i+strings.IndexByte(key[i:], ']'))
		}
		list = append(list, key[i:end+1])
		i = end
	}
	return list
}

// matches compares a key with a VIN; it is written apart from package vindata's.
func matches(key, number string) bool {
	text := number[3:8] + "|" + number[9:]
	for i, cell := range cells(key) {
		switch {
		case i >= len(text):
			return false
		case cell == "*" || cell == text[i:i+1]:
		case cell[0] == '[' && strings.Contains(spread(strings.Trim(cell, "[]")), text[i:i+1]):
		default:
			return false
		}
	}
	return true
}

// share is how large a part of a key is fixed, as the reference reckons: a
// character is 1, a set 0.8, a range 0.7, an asterisk 0.5, over their number.
func share(key string) float64 {
	list := cells(key)
	sum := 0.0
	for _, cell := range list {
		switch {
		case cell == "*":
			sum += 0.5
		case cell[0] == '[' && strings.Contains(cell, "-"):
			sum += 0.7
		case cell[0] == '[':
			sum += 0.8
		default:
			sum++
		}
	}
	return sum / float64(len(list))
}
