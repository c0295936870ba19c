package tax

import (
	"cmp"
	"embed"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
)

// Set is a number of packs, at most one a place. It is read only.
type Set struct {
	by map[string]Pack
}

//go:embed packs
var files embed.FS

// builtin reads the embedded packs on first use. A file that cannot be read is a
// mistake of the build, which TestBuiltinPacks catches; without packs every
// place is one that nothing is known of, and quotes say so.
var builtin = sync.OnceValue(func() *Set {
	packs, err := Load(files)
	if err != nil {
		return &Set{}
	}
	set, err := (&Set{}).With(packs...)
	if err != nil {
		return &Set{}
	}
	return set
})

// Builtin holds the packs that the program brings.
func Builtin() *Set { return builtin() }

// All lists the packs in order of place.
func (s *Set) All() []Pack {
	return slices.SortedFunc(maps.Values(s.by), func(a, b Pack) int { return cmp.Compare(a.Place, b.Place) })
}

// With is the set with more packs; one about a place that the set knows already
// replaces the one there. It refuses packs that are not sound, and two about one
// place.
func (s *Set) With(packs ...Pack) (*Set, error) {
	by := maps.Clone(s.by)
	if by == nil {
		by = make(map[string]Pack, len(packs))
	}
	given := make(map[string]bool, len(packs))
	for i, pack := range packs {
		if err := pack.check(); err != nil {
			return nil, fmt.Errorf("tax pack %d (%.20q): %w", i+1, pack.Place, err)
		}
		if given[pack.Place] {
			return nil, fmt.Errorf("tax pack %d: a second pack about %s", i+1, pack.Place)
		}
		given[pack.Place], by[pack.Place] = true, pack
	}
	return &Set{by: by}, nil
}

// For is the pack of a place by ISO 3166; Default, and known false, where there
// is none.
func (s *Set) For(place string) (pack Pack, known bool) {
	place = strings.TrimSpace(place)
	if pack, known = s.by[place]; known {
		return pack, true
	}
	return Default(place), false
}
