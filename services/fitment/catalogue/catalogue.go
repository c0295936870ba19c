// Package catalogue answers questions about parts: which are right for a
// vehicle, what replaces what, and what is under recall. It is held in memory
// and knows nothing of storage.
package catalogue

import (
	"cmp"
	"errors"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
)

// Fold brings a name into the form in which names are compared.
func Fold(name string) string { return names.Fold(name) }

// NumberKey brings a part number into the form in which numbers are compared.
func NumberKey(number string) (string, error) { return names.NumberKey(number) }

// ErrMaker means that a maker's name has no letter or digit to name a record by.
var ErrMaker = errors.New("a maker's name has at least one letter A-Z or digit, and at most 60 characters")

const maxMaker = 60

// MakerSlug writes a maker's name for use in a resource name: letters and digits
// of the folded name, everything else a single hyphen.
func MakerSlug(maker string) (string, error) {
	var slug strings.Builder
	for _, r := range Fold(maker) {
		switch {
		case (r >= 'a' && r <= 'z') || (r >= '0' && r <= '9'):
			slug.WriteRune(r)
		case slug.Len() > 0 && !strings.HasSuffix(slug.String(), "-"):
			slug.WriteByte('-')
		}
	}
	text := strings.TrimSuffix(slug.String(), "-")
	if text == "" || len(text) > maxMaker {
		return "", ErrMaker
	}
	return text, nil
}

// PartName is the resource name of a part, parts/{maker}.{number}.
func PartName(maker, number string) (string, error) {
	slug, err := MakerSlug(maker)
	if err != nil {
		return "", err
	}
	key, err := NumberKey(number)
	if err != nil {
		return "", err
	}
	return "parts/" + slug + "." + key, nil
}

// partKey names a part inside the catalogue.
type partKey struct{ maker, number string }

// useKey is what applications are found by. The zero position collects every
// position.
type useKey struct {
	make, model string
	kind        fitmentv1.Part_Kind
	row         int32
	side        fitmentv1.Position_Side
}

// recallKey is what recalls are found by beside numbers; an unspecified kind means
// every kind.
type recallKey struct {
	maker string
	kind  fitmentv1.Part_Kind
}

// Catalogue holds parts, supersessions and recalls with the indexes that
// decisions need. It is not locked: whoever changes it keeps readers out.
// Records are kept as given and must not be changed afterwards.
type Catalogue struct {
	parts    map[partKey]*fitmentv1.Part
	byNumber map[string][]*fitmentv1.Part
	byUse    map[useKey][]*fitmentv1.Part

	supersessions map[string]*link
	byOld         map[partKey][]*link
	byNew         map[partKey][]*link

	// Recalls are found by the number they name, by maker and kind where they
	// name none (recallsOfAll), and by maker and kind where they do
	// (recallsOfSome), for parts whose number is not known.
	recalls                     map[string]*notice
	recallsByNumber             map[string][]*notice
	recallsOfAll, recallsOfSome map[recallKey][]*notice
	recallsPut                  int64

	// Vehicle data is found by the folded make, narrowest row first.
	vehicleData    map[string]*vehicleRow
	vehiclesByMake map[string][]*vehicleRow

	// named holds, by number, the makers that a supersession or recall names with
	// it, once for each naming.
	named map[string][]string
}

// New makes an empty catalogue.
func New() *Catalogue {
	return &Catalogue{
		parts:         map[partKey]*fitmentv1.Part{},
		byNumber:      map[string][]*fitmentv1.Part{},
		byUse:         map[useKey][]*fitmentv1.Part{},
		supersessions: map[string]*link{},
		byOld:         map[partKey][]*link{},
		byNew:         map[partKey][]*link{},
		recalls:       map[string]*notice{},
		named:         map[string][]string{},

		recallsByNumber: map[string][]*notice{},
		recallsOfAll:    map[recallKey][]*notice{},
		recallsOfSome:   map[recallKey][]*notice{},

		vehicleData:    map[string]*vehicleRow{},
		vehiclesByMake: map[string][]*vehicleRow{},
	}
}

// key is the catalogue's key of a maker and number; ok is false where the number
// is none.
func key(maker, number string) (partKey, bool) {
	k, err := NumberKey(number)
	return partKey{Fold(maker), k}, err == nil
}

// PutPart adds a part, or replaces the one of the same maker and number. A part
// whose number is none is refused.
func (c *Catalogue) PutPart(part *fitmentv1.Part) error {
	k, ok := key(part.GetMaker(), part.GetNumber())
	if !ok {
		return names.ErrNumber
	}
	if old := c.parts[k]; old != nil {
		remove(c.byNumber, k.number, old)
		for _, use := range usesOf(old) {
			remove(c.byUse, use, old)
		}
	}
	c.parts[k] = part
	c.byNumber[k.number] = append(c.byNumber[k.number], part)
	slices.SortFunc(c.byNumber[k.number], comparePart)
	for _, use := range usesOf(part) {
		c.byUse[use] = append(c.byUse[use], part)
	}
	return nil
}

// usesOf lists the keys under which a part is found, each once.
func usesOf(part *fitmentv1.Part) []useKey {
	uses := make([]useKey, 0, (1+len(part.GetPositions()))*len(part.GetApplications()))
	for _, a := range part.GetApplications() {
		use := useKey{make: Fold(a.GetMake()), model: Fold(a.GetModel()), kind: part.GetKind()}
		uses = append(uses, use)
		for _, p := range part.GetPositions() {
			use.row, use.side = p.GetRow(), p.GetSide()
			uses = append(uses, use)
		}
	}
	slices.SortFunc(uses, compareUses)
	return slices.Compact(uses)
}

func compareUses(a, b useKey) int {
	return cmp.Or(strings.Compare(a.make, b.make), strings.Compare(a.model, b.model),
		cmp.Compare(a.row, b.row), cmp.Compare(a.side, b.side))
}

// PutSupersession adds a supersession, or replaces the one of the same name.
func (c *Catalogue) PutSupersession(s *fitmentv1.Supersession) error {
	older, okOld := key(s.GetMaker(), s.GetOldNumber())
	newer, okNew := key(s.GetMaker(), s.GetNewNumber())
	if !okOld || !okNew {
		return names.ErrNumber
	}
	if old := c.supersessions[s.GetName()]; old != nil && s.GetName() != "" {
		k, _ := key(old.GetMaker(), old.GetOldNumber())
		remove(c.byOld, k, old)
		c.unname(k.number, k.maker)
		remove(c.byNew, old.newer, old)
		c.unname(old.newer.number, old.newer.maker)
	}
	one := &link{Supersession: s, newer: newer}
	c.supersessions[s.GetName()] = one
	c.byOld[older] = append(c.byOld[older], one)
	c.byNew[newer] = append(c.byNew[newer], one)
	c.name(older.number, older.maker)
	c.name(newer.number, newer.maker)
	return nil
}

// PutRecall adds a notice or coverage statement, or replaces the one of the same
// name.
func (c *Catalogue) PutRecall(r *fitmentv1.Recall) error {
	n, err := noticeOf(r)
	if err != nil {
		return err
	}
	if old := c.recalls[r.GetName()]; old != nil && r.GetName() != "" {
		c.dropRecall(old)
	}
	c.recalls[r.GetName()] = n
	n.put = c.recallsPut
	c.recallsPut++
	k := recallKey{n.maker, r.GetKind()}
	if n.number == "" {
		c.recallsOfAll[k] = append(c.recallsOfAll[k], n)
		return nil
	}
	c.recallsOfSome[k] = append(c.recallsOfSome[k], n)
	c.recallsByNumber[n.number] = append(c.recallsByNumber[n.number], n)
	c.name(n.number, n.maker)
	return nil
}

// dropRecall takes a record out of the indexes.
func (c *Catalogue) dropRecall(n *notice) {
	k := recallKey{n.maker, n.GetKind()}
	if n.number == "" {
		remove(c.recallsOfAll, k, n)
		return
	}
	remove(c.recallsOfSome, k, n)
	remove(c.recallsByNumber, n.number, n)
	c.unname(n.number, n.maker)
}

// name notes that a maker was named with a number, and unname takes back one such
// note.
func (c *Catalogue) name(number, maker string) { c.named[number] = append(c.named[number], maker) }

func (c *Catalogue) unname(number, maker string) {
	at := slices.Index(c.named[number], maker)
	left := slices.Delete(c.named[number], at, at+1)
	if len(left) == 0 {
		delete(c.named, number)
		return
	}
	c.named[number] = left
}

// OneMaker tells whether parts, supersessions and recalls name at most one maker
// with a number, the other one included where it is not empty. Where they name
// more, the number alone does not say which part it is.
func (c *Catalogue) OneMaker(number, other string) bool {
	k, err := NumberKey(number)
	if err != nil {
		return true
	}
	one := Fold(other)
	same := func(maker string) bool {
		if one == "" {
			one = maker
		}
		return maker == "" || maker == one
	}
	for _, part := range c.byNumber[k] {
		if !same(Fold(part.GetMaker())) {
			return false
		}
	}
	for _, maker := range c.named[k] {
		if !same(maker) {
			return false
		}
	}
	return true
}

// remove takes a record out of an index, and the entry with its last record.
func remove[K comparable, R comparable](index map[K][]R, k K, record R) {
	left := slices.DeleteFunc(index[k], func(r R) bool { return r == record })
	if len(left) == 0 {
		delete(index, k)
		return
	}
	index[k] = left
}

// Part returns the part of a maker and number, or nil.
func (c *Catalogue) Part(maker, number string) *fitmentv1.Part {
	k, ok := key(maker, number)
	if !ok {
		return nil
	}
	return c.parts[k]
}

// PartByNumber returns the parts of every maker that bear the number, in order of
// maker.
func (c *Catalogue) PartByNumber(number string) []*fitmentv1.Part {
	k, err := NumberKey(number)
	if err != nil {
		return nil
	}
	return c.byNumber[k]
}
