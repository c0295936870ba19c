package vindata

import (
	"cmp"
	"slices"
	"strings"
)

// length of a VIN, and the positions that are read here, counted from 0.
const (
	length    = 17
	wmiEnd    = 3
	vdsEnd    = 8
	smallFrom = 11
	smallTo   = 14
	smallMark = '9'
)

func (t *table) lookup(number string, year int32) (Record, bool) {
	w, ok := t.identifier(number)
	if !ok {
		return Record{}, false
	}
	record := Record{Type: w.kind}
	if len(w.makes) == 1 {
		record.Make = t.texts[w.makes[0]]
	}
	var scratch [64]match
	matches := t.matches(scratch[:0], w, number, year)
	models := t.choose(matches)
	switch len(models.names) {
	case 0:
		return record, true
	case 1:
		name := t.name(models.names[0])
		record.Make, record.Model, record.Matched = name.Make, name.Model, true
	default:
		record.Candidates = t.candidates(models.names)
		record.Make = commonMake(record.Candidates)
	}
	t.describe(&record, matches, models)
	return record, true
}

// identifier finds the maker's identifier: positions 1 to 3, for a maker of few
// vehicles with 12 to 14 (49 CFR 565.15(a) and (d)).
func (t *table) identifier(number string) (wmi, bool) {
	if len(number) != length {
		return wmi{}, false
	}
	if number[wmiEnd-1] != smallMark {
		w, ok := t.wmis[number[:wmiEnd]]
		return w, ok
	}
	code := [6]byte{number[0], number[1], number[2], number[smallFrom], number[smallFrom+1], number[smallTo-1]}
	w, ok := t.wmis[string(code[:])]
	return w, ok
}

// match is a key that a VIN has, in one of the schemas that hold.
type match struct {
	schema uint32
	items  span
	score  score
}

// score is how specific a key is: a position fixed to one character counts more
// than any number of positions fixed to one of a set.
type score int32

const (
	exactly score = 16
	oneOf   score = 1
)

// holds says whether a schema holds for a model year.
func (u use) holds(year int32) bool { return year >= u.from && (u.to == 0 || year <= u.to) }

func (t *table) matches(found []match, w wmi, number string, year int32) []match {
	bits := described(number)
	for _, u := range w.uses {
		if !u.holds(year) {
			continue
		}
		groups := t.schemas[u.schema]
		for _, g := range t.groups[groups.from:groups.to] {
			if !t.masks[g.key].allow(&bits) {
				continue
			}
			if s, ok := fits(t.keys[g.key], number); ok {
				found = append(found, match{schema: u.schema, items: g.items, score: s})
			}
		}
	}
	return found
}

// mask has a bit for each character that a key allows at each of positions 4 to
// 8. Most keys are ruled out by it, at a fraction of the time that reading them
// takes.
type mask [vdsEnd - wmiEnd]uint64

// allow tells whether none of a VIN's positions 4 to 8 rules the key out.
func (m *mask) allow(number *mask) bool {
	return m[0]&number[0] != 0 && m[1]&number[1] != 0 && m[2]&number[2] != 0 && m[3]&number[3] != 0 && m[4]&number[4] != 0
}

// described gives a VIN's own bits.
func described(number string) mask {
	var m mask
	for i := range m {
		m[i] = bit(number[wmiEnd+i])
	}
	return m
}

// bit gives each digit and letter a bit, and all else one of its own.
func bit(c byte) uint64 {
	switch {
	case c >= '0' && c <= '9':
		return 1 << (c - '0')
	case c >= 'A' && c <= 'Z':
		return 1 << (10 + c - 'A')
	}
	return 1 << 36
}

const anything = 1<<37 - 1

// allowed is the mask of a key. A key that cannot be read is left to fits.
func allowed(key string) mask {
	var m mask
	at := 0
	for i := 0; i < len(key) && at < len(m); i++ {
		switch key[i] {
		case '*':
			m[at] = anything
		case '[':
			end := max(strings.IndexByte(key[i:], ']'), 0)
			m[at] = setBits(key[i : i+end+1])
			i += end
		default:
			m[at] = bit(key[i])
		}
		at++
	}
	for ; at < len(m); at++ {
		m[at] = anything
	}
	return m
}

func setBits(cell string) uint64 {
	bits := uint64(0)
	for c := range byte(0x80) {
		if len(cell) > 1 && inSet(cell[1:len(cell)-1], c) {
			bits |= bit(c)
		}
	}
	return bits
}

// fits compares a key with a VIN's positions 4 to 8, a bar, and 10 to 17, and
// says how specific the key is.
func fits(key, number string) (score, bool) {
	at, total := wmiEnd, score(0)
	for i := 0; i < len(key); i++ {
		c := byte('|')
		switch {
		case at == length:
			return 0, false
		case at != vdsEnd:
			c = number[at]
		}
		at++
		switch key[i] {
		case c:
			if c != '|' {
				total += exactly
			}
		case '*':
		case '[':
			end := strings.IndexByte(key[i:], ']')
			if end < 0 || !inSet(key[i+1:i+end], c) {
				return 0, false
			}
			i += end
			total += oneOf
		default:
			return 0, false
		}
	}
	return total, true
}

// inSet looks a character up in what stands between brackets: characters and
// ranges such as A-F.
func inSet(set string, c byte) bool {
	for i := 0; i < len(set); i++ {
		if i+2 < len(set) && set[i+1] == '-' {
			if set[i] <= c && c <= set[i+2] {
				return true
			}
			i += 2
		} else if set[i] == c {
			return true
		}
	}
	return false
}

// choice is the most specific models that match, and the schemas they are from.
type choice struct {
	score   score
	names   []uint32
	schemas []uint32
}

func (t *table) choose(matches []match) choice {
	var best choice
	for _, m := range matches {
		for _, it := range t.items[m.items.from:m.items.to] {
			if it.element != Model || (len(best.names) > 0 && m.score < best.score) {
				continue
			}
			if len(best.names) == 0 || m.score > best.score {
				best = choice{score: m.score, names: best.names[:0], schemas: best.schemas[:0]}
			}
			if !slices.Contains(best.names, it.value) {
				best.names = append(best.names, it.value)
			}
			if !slices.Contains(best.schemas, m.schema) {
				best.schemas = append(best.schemas, m.schema)
			}
		}
	}
	return best
}

func (t *table) name(at uint32) Name {
	m := t.models[at]
	return Name{Make: t.texts[m.make], Model: t.texts[m.name]}
}

func (t *table) candidates(models []uint32) []Name {
	names := make([]Name, len(models))
	for i, at := range models {
		names[i] = t.name(at)
	}
	slices.SortFunc(names, func(a, b Name) int {
		return cmp.Or(strings.Compare(a.Make, b.Make), strings.Compare(a.Model, b.Model))
	})
	return names
}

func commonMake(names []Name) string {
	for _, n := range names {
		if n.Make != names[0].Make {
			return ""
		}
	}
	return names[0].Make
}

// best is the most specific value of one element.
type best struct {
	score         score
	value         uint32
	found, shared bool
}

// add keeps the more specific of two values, and notes where they are equal.
func (b *best) add(value uint32, s score) {
	switch {
	case !b.found || s > b.score:
		*b = best{score: s, value: value, found: true}
	case s == b.score && value != b.value:
		b.shared = true
	}
}

// describe fills in everything but the model, from the schemas that name it:
// other schemas of the maker are about other vehicles.
func (t *table) describe(record *Record, matches []match, models choice) {
	var values [elementCount]best
	var restraint [8]uint32
	texts, light, heavy := restraint[:0], false, false
	for _, m := range matches {
		if !slices.Contains(models.schemas, m.schema) {
			continue
		}
		for _, it := range t.items[m.items.from:m.items.to] {
			switch it.element {
			case Model:
			case Restraint:
				if !slices.Contains(texts, it.value) {
					texts = append(texts, it.value)
				}
			case Weight:
				heavy = heavy || t.texts[it.value] == Heavy
				light = light || t.texts[it.value] == Light
			default:
				values[it.element].add(it.value, m.score)
			}
		}
	}
	text := func(e Element) string {
		if b := values[e]; b.found && !b.shared {
			return t.texts[b.value]
		}
		return ""
	}
	record.Body, record.Series, record.Trim = text(Body), text(Series), text(Trim)
	record.PlantCity, record.PlantState, record.PlantCountry = text(PlantCity), text(PlantState), text(PlantCountry)
	if d := text(Doors); len(d) == 1 && d[0] >= '1' && d[0] <= '9' {
		record.Doors = int32(d[0] - '0')
	}
	switch {
	case light && !heavy:
		record.Weight = Light
	case heavy && !light:
		record.Weight = Heavy
	}
	record.Restraint = t.joined(texts)
}

// joined puts texts one after another; the data set often splits a description
// over several keys.
func (t *table) joined(texts []uint32) string {
	switch len(texts) {
	case 0:
		return ""
	case 1:
		return t.texts[texts[0]]
	}
	parts := make([]string, len(texts))
	for i, at := range texts {
		parts[i] = t.texts[at]
	}
	return strings.Join(parts, "; ")
}
