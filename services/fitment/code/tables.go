package code

import (
	"embed"
	"io/fs"
	"slices"
	"strings"
	"sync"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Tables say what codes mean, dialect by dialect. They are not changed once they
// are loaded.
type Tables struct {
	version  string
	dialects []Dialect
	meanings map[string]map[uint16]Meaning // by dialect and value
	failures map[string]map[byte]failure   // by dialect
	broken   bool
}

// failure is what a failure byte says in one dialect.
type failure struct{ text, condition string }

//go:embed tables/*.csv
var files embed.FS

// Builtin returns the tables that come with the program. Tables that cannot be
// read know no meaning and rule nothing out: then every code is undecided.
func Builtin() *Tables { return builtin() }

var builtin = sync.OnceValue(func() *Tables {
	folder, err := fs.Sub(files, "tables")
	if err != nil {
		return &Tables{version: "unreadable", broken: true}
	}
	tables, err := Load(folder)
	if err != nil {
		return &Tables{version: "unreadable", broken: true}
	}
	return tables
})

// Version tells these tables from others: their date and a digest of their data.
func (t *Tables) Version() string { return t.version }

// Dialects lists the dialects in the order of their ids.
func (t *Tables) Dialects() []Dialect {
	list := slices.Clone(t.dialects)
	for i := range list {
		if model := t.find(list[i].like); model != nil {
			list[i].Codes = model.Codes
		}
	}
	slices.SortFunc(list, func(a, b Dialect) int { return strings.Compare(a.ID, b.ID) })
	return list
}

// Has tells whether there is a dialect of that id.
func (t *Tables) Has(dialect string) bool { return t.find(dialect) != nil }

func (t *Tables) find(dialect string) *Dialect {
	for i := range t.dialects {
		if t.dialects[i].ID == dialect {
			return &t.dialects[i]
		}
	}
	return nil
}

// reads tells whether codes of that dialect are on record.
func (t *Tables) reads(dialect string) bool {
	d := t.find(dialect)
	return d != nil && len(t.meanings[d.ID])+len(t.meanings[d.like]) > 0
}

// In returns what a code means in one dialect; none where the dialect's tables do
// not know it.
func (t *Tables) In(dialect string, c Code) []Meaning {
	d := t.find(dialect)
	if d == nil {
		return nil
	}
	m, known := t.meanings[dialect][c.Value]
	if !known && d.like != "" {
		m, known = t.meanings[d.like][c.Value]
	}
	if !known {
		return nil
	}
	m.Dialect, m.ID = dialect, dialect+"."+c.Base()
	if m.Condition == NoCondition && c.HasFailure {
		_, m.Condition, _ = t.Failure(dialect, c.Failure)
	}
	return []Meaning{m}
}

// Meanings returns everything that a code can mean, the standard's first. A
// dialect that shares another's numbers is left out: it adds no meaning of its
// own. Of the failure byte only what all dialects read alike counts.
func (t *Tables) Meanings(c Code) []Meaning {
	var list []Meaning
	for i := range t.dialects {
		if t.dialects[i].like != "" {
			continue
		}
		for _, m := range t.In(t.dialects[i].ID, Code{Value: c.Value}) {
			if m.Condition == NoCondition && c.HasFailure && t.shares(m.Dialect, c.Failure) {
				_, m.Condition, _ = t.Failure(m.Dialect, c.Failure)
			}
			list = append(list, m)
		}
	}
	return list
}

// shares tells whether all dialects that read a failure byte, and share the
// dialect's numbers, read it alike.
func (t *Tables) shares(dialect string, b byte) bool {
	own, known := t.failures[dialect][b]
	for i := range t.dialects {
		if t.dialects[i].like != dialect {
			continue
		}
		if other, reads := t.failures[t.dialects[i].ID][b]; reads && other != own {
			return false
		}
	}
	return known
}

// Failure returns what a failure byte says in a dialect, in words and as a
// condition; known is false where the dialect's table does not have it. A suffix
// is read only in its own dialect: the same byte means other things elsewhere.
func (t *Tables) Failure(dialect string, b byte) (text, condition string, known bool) {
	f, known := t.failures[dialect][b]
	return f.text, f.condition, known
}

// Commanded tells whether codes say that deployment was commanded. In a known
// dialect the answer is Yes as soon as one does. Where the dialect is not known
// (not one of ours, or one of which no code is on record) it is Unknown as soon as
// some dialect reads one of the codes so. A body code that no table lists could
// mean anything, so it leaves the answer Unknown too; codes of other systems than
// the body (ISO 15031-6) are not the restraint system's and say nothing about it.
// Otherwise the answer is No.
func (t *Tables) Commanded(codes []Code, dialect string) fitmentv1.Finding_Answer {
	if t.broken {
		return fitmentv1.Finding_UNKNOWN
	}
	settled, answer := t.reads(dialect), fitmentv1.Finding_NO
	for _, c := range codes {
		meanings := t.Meanings(c)
		if settled {
			meanings = t.In(dialect, c)
		}
		fired := slices.ContainsFunc(meanings, func(m Meaning) bool { return m.Deployed })
		switch {
		case fired && settled:
			return fitmentv1.Finding_YES
		case fired, len(meanings) == 0 && c.ofBody():
			answer = fitmentv1.Finding_UNKNOWN
		}
	}
	return answer
}
