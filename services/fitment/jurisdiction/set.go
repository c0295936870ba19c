package jurisdiction

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Set is a number of packs, at most one a place. It is read only: nobody may
// change a pack once it is in a set.
type Set struct {
	packs []*Pack // by place
	by    map[string]*Pack
}

//go:embed packs
var files embed.FS

// builtin reads the embedded packs on first use. A file that cannot be read is a
// mistake of the build, which TestBuiltinPacksRead catches. The law is then not
// known at all, so nothing may be sold or fitted.
var builtin = sync.OnceValue(func() *Set {
	packs, err := Load(files)
	set, setErr := (&Set{}).With(packs...)
	if err == nil && setErr == nil && len(packs) > 0 {
		return set
	}
	const text = "The law of the places cannot be read, so nothing may be sold or fitted until the program is repaired."
	closed := &Pack{Jurisdiction: "ZZ", Place: "Everywhere", Version: "0001-01-01", Divided: true, Provisions: []Provision{
		{ID: "ZZ.sale", Sale: true, Condition: Forbidden, Text: text, Source: "none"},
		{ID: "ZZ.fitting", Condition: Forbidden, Text: text, Source: "none"},
	}}
	return &Set{packs: []*Pack{closed}, by: map[string]*Pack{closed.Jurisdiction: closed}}
})

// Builtin holds the packs that the program brings.
func Builtin() *Set { return builtin() }

// All lists the packs in order of place.
func (s *Set) All() []*Pack { return slices.Clone(s.packs) }

// With is the set with more packs; one about a place that the set knows already
// replaces the one there. It refuses packs that are not sound, two about one
// place, and places that lie in one that has no pack, or in each other.
func (s *Set) With(packs ...*Pack) (*Set, error) {
	by := maps.Clone(s.by)
	if by == nil {
		by = make(map[string]*Pack, len(packs))
	}
	given := make(map[string]bool, len(packs))
	for i, pack := range packs {
		if pack == nil {
			return nil, fmt.Errorf("pack %d: there is none", i+1)
		}
		if err := pack.check(); err != nil {
			return nil, fmt.Errorf("pack %d (%.20q): %w", i+1, pack.Jurisdiction, err)
		}
		if given[pack.Jurisdiction] {
			return nil, fmt.Errorf("pack %d: a second pack about %s", i+1, pack.Jurisdiction)
		}
		given[pack.Jurisdiction], by[pack.Jurisdiction] = true, pack
	}
	set := &Set{by: by, packs: slices.SortedFunc(maps.Values(by), byPlace)}
	for _, pack := range set.packs {
		if err := set.nested(pack); err != nil {
			return nil, fmt.Errorf("pack %s: %w", pack.Jurisdiction, err)
		}
	}
	return set, nil
}

func byPlace(a, b *Pack) int { return cmp.Compare(a.Jurisdiction, b.Jurisdiction) }

// nested follows the places that a pack's place lies in.
func (s *Set) nested(pack *Pack) error {
	for steps := 0; pack.Within != ""; steps++ {
		outer := s.by[pack.Within]
		switch {
		case outer == nil:
			return fmt.Errorf("within: there is no pack about %s", pack.Within)
		case steps > len(s.packs):
			return errors.New("within: the place lies in itself")
		}
		pack = outer
	}
	return nil
}

// Weighed is the law that counts for a sale.
type Weighed struct {
	// Packs are those whose provisions must all hold, in order of place.
	Packs []*Pack
	// Asking are those whose obligations are told, in order of place: the packs of
	// the places that are stated and of those they lie in. Where a place is not
	// stated it is every pack; what a place without a pack asks is not known.
	Asking []*Pack
	// Seller and Installer are the packs of either one's place and of those it lies
	// in; every pack where the place is not stated.
	Seller, Installer []*Pack
	// Known is false where a place is not stated or its law is not known; then
	// every pack of the set counts.
	Known bool
	// Notes say in sentences what was not known, and to check local law.
	Notes []string
}

// For finds the law that counts where a seller and an installer stand, each a
// place by ISO 3166, empty where it is not stated.
//
// A place's law is known where the place has a pack that is not Divided or, failing
// that, stands in the Also of one. A part of a country ("NZ-AUK") with neither
// takes its country's pack, unless that is Divided, and only a country without a
// pack is looked for in Also. The packs of the places that it lies in count too. So
// "US-WA" is Washington and the United States, "DE" and "DE-BY" are the European
// Union; "US" alone and a state without a pack are not known.
func (s *Set) For(seller, installer string) Weighed {
	weighed := Weighed{Known: true}
	chosen := make(map[string]*Pack)
	for _, party := range []struct{ who, place string }{{whoSells, seller}, {"installer", installer}} {
		place := strings.TrimSpace(party.place)
		pack, known, note := s.find(place)
		if note != "" {
			weighed.note(fmt.Sprintf(note, party.who, place))
		}
		weighed.Known = weighed.Known && known
		own := weighed.of(party.who)
		if place == "" {
			*own = s.All()
		}
		for ; pack != nil; pack = s.by[pack.Within] {
			chosen[pack.Jurisdiction] = pack
			*own = append(*own, pack)
		}
	}
	weighed.Packs = slices.SortedFunc(maps.Values(chosen), byPlace)
	weighed.Asking = weighed.Packs
	if strings.TrimSpace(seller) == "" || strings.TrimSpace(installer) == "" {
		weighed.Asking = s.All()
	}
	if !weighed.Known {
		weighed.Packs = s.All()
		weighed.note("The provisions of all places with a pack were weighed, which is the most cautious answer.")
	}
	weighed.note(CheckLocalLaw)
	return weighed
}

const whoSells = "seller"

// of are the packs of a party's place.
func (w *Weighed) of(who string) *[]*Pack {
	if who == whoSells {
		return &w.Seller
	}
	return &w.Installer
}

// Obligations are what the law asks about a kind of part beside the provisions:
// of the seller what the law of his place asks, of the installer what that of his
// own does, and of both what either asks of anybody.
func (w *Weighed) Obligations(kind fitmentv1.Part_Kind) []*fitmentv1.Obligation {
	var list []*fitmentv1.Obligation
	for _, pack := range w.Asking {
		for i := range pack.Obligations {
			o := &pack.Obligations[i]
			bound := true
			switch o.GetParty() {
			case fitmentv1.Obligation_SELLER:
				bound = slices.Contains(w.Seller, pack)
			case fitmentv1.Obligation_INSTALLER:
				bound = slices.Contains(w.Installer, pack)
			default:
			}
			if bound && o.About(kind) {
				list = append(list, o.Obligation)
			}
		}
	}
	return list
}

// Fitting are what the law asks about fitting a part of a kind at a place, be it
// new or rebuilt: of whoever fits it, or of anybody. Where the place is not stated
// it is what any place asks, as with Obligations.
func (s *Set) Fitting(place string, kind fitmentv1.Part_Kind) []*fitmentv1.Obligation {
	weighed := s.For(place, place)
	var list []*fitmentv1.Obligation
	for _, pack := range weighed.Asking {
		for i := range pack.Obligations {
			o := &pack.Obligations[i]
			if o.GetParty() != fitmentv1.Obligation_SELLER && !o.UsedOnly && o.About(kind) {
				list = append(list, o.Obligation)
			}
		}
	}
	return list
}

// note adds a sentence once.
func (w *Weighed) note(text string) {
	if !slices.Contains(w.Notes, text) {
		w.Notes = append(w.Notes, text)
	}
}

// What is said of a place; the arguments are who stands there, and the place.
const (
	notStated = "It is not stated where the %[1]s stands."
	noPack    = "The law of %[2]s, where the %[1]s stands, is not known here."
	divided   = "The %[1]s stands in %[2]s, whose parts have law of their own, and it is not stated in which part."
	standsIn  = "%[2]s, where the %[1]s stands, has no pack of its own: only the law of the place that it lies in was weighed."
)

// find is the pack that speaks for a place, whether its law is thereby known, and
// what is to be said about that.
func (s *Set) find(place string) (pack *Pack, known bool, note string) {
	if place == "" {
		return nil, false, notStated
	}
	if own := s.by[place]; own != nil && own.Divided {
		return own, false, divided
	} else if own != nil {
		return own, true, ""
	}
	if outer := s.listing(place); outer != nil {
		return outer, true, standsIn
	}
	country, _, part := strings.Cut(place, "-")
	outer := s.by[country]
	switch {
	case !part:
		return nil, false, noPack
	case outer == nil:
		outer = s.listing(country)
	case outer.Divided:
		return outer, false, noPack
	}
	if outer == nil {
		return nil, false, noPack
	}
	return outer, true, standsIn
}

// listing is the pack that names a place in its Also, nil where none does.
func (s *Set) listing(place string) *Pack {
	for _, pack := range s.packs {
		if slices.Contains(pack.Also, place) {
			return pack
		}
	}
	return nil
}
