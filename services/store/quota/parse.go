package quota

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
)

// Help is what a flag says of a list that Parse reads, with what may be counted.
func Help(names ...string) string {
	names = slices.Clone(names)
	slices.Sort(names)
	return "`list` of how many records one business may keep, such as listings=500000,osprey-hollow/listings=2000000; 0 for any number; of " +
		strings.Join(slices.Compact(names), ", ")
}

// Parse reads limits as a flag gives them: NAME=LIMIT for all businesses or
// BUSINESS/NAME=LIMIT for one, with commas between. It returns the kinds with what
// the list says of all businesses, and the rest; names that none of the kinds has
// are an error unless others knows them, since one list may serve several stores.
func Parse(list string, kinds []store.Counted, others ...string) ([]store.Counted, []Override, error) {
	kinds = slices.Clone(kinds)
	var overrides []Override
	said := map[string]bool{}
	for part := range strings.SplitSeq(list, ",") {
		if list == "" {
			break
		}
		what, figure, ok := strings.Cut(part, "=")
		business, name, one := strings.Cut(what, "/")
		if !one {
			business, name = "", what
		}
		limit, err := strconv.Atoi(figure)
		switch at := slices.IndexFunc(kinds, func(k store.Counted) bool { return k.Name == name }); {
		case !ok || err != nil || limit < 0 || one && !identity.ValidTenant(business):
			return nil, nil, fmt.Errorf("%q: expected NAME=LIMIT or BUSINESS/NAME=LIMIT, LIMIT being 0 (any number) or more", part)
		case said[what]:
			return nil, nil, fmt.Errorf("%q: %s is there twice", part, what)
		case at < 0 && !slices.Contains(others, name):
			return nil, nil, fmt.Errorf("%q: nothing is called %q; expected one of %s", part, name, strings.Join(names(kinds, others), ", "))
		case at < 0:
		case one:
			overrides = append(overrides, Override{Business: business, Name: name, Limit: limit})
		default:
			kinds[at].Limit = limit
		}
		said[what] = true
	}
	return kinds, overrides, nil
}

func names(kinds []store.Counted, others []string) []string {
	all := map[string]bool{}
	for _, kind := range kinds {
		all[kind.Name] = true
	}
	for _, other := range others {
		all[other] = true
	}
	return slices.Sorted(maps.Keys(all))
}

// Names are the names of kinds.
func Names(kinds []store.Counted) []string { return names(kinds, nil) }
