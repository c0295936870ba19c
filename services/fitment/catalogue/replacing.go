package catalogue

import (
	"cmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/platform/prose"
)

// replacing follows the supersessions of the matches, which have applications of
// their own, and returns the matches by their key; a nil walk where there are none.
func (c *Catalogue) replacing(matches []Match, need *fitmentv1.Need, position *fitmentv1.Position) (*walk, map[partKey]Match) {
	starts := make([]start, 0, len(matches))
	roots := make(map[partKey]Match, len(matches))
	leads := false
	for i := range matches {
		k, ok := key(matches[i].Part.GetMaker(), matches[i].Part.GetNumber())
		if !ok {
			continue
		}
		starts = append(starts, start{k, matches[i].Application})
		roots[k] = matches[i]
		leads = leads || len(c.byOld[k]) > 0
	}
	if !leads {
		return nil, nil
	}
	return c.walkFrom(starts, need.GetVehicle(), func(k partKey) evidence.Answer {
		part := c.parts[k]
		switch {
		case part == nil:
			return evidence.Yes
		case part.GetKind() != need.GetKind():
			return evidence.No
		case len(part.GetPositions()) == 0:
			return evidence.Yes
		default:
			return MadeFor(part, position)
		}
	}), roots
}

// replacements lists the numbers that a walk reaches from the roots.
func (w *walk) replacements(roots map[partKey]Match) []Match {
	known, possible := w.reach(view{holds: never}), w.reach(view{unsure: true, holds: always})
	var found []Match
	for i := range w.nodes {
		if w.nodes[i].answer != evidence.No && possible[i] >= 0 {
			way := w.way(int32(i), known, possible)
			root := roots[w.nodes[way[0].from].key]
			found = append(found, w.replacement(&w.nodes[i], way, &root))
		}
	}
	return found
}

// replacement makes the match of a number that is reached from a root.
func (w *walk) replacement(to *node, way []*step, root *Match) Match {
	path, positions := make([]string, 0, 1+len(way)), root.Part.GetPositions()
	path = append(path, root.Part.GetNumber())
	for _, one := range way {
		number := one.GetNewNumber()
		if part := w.nodes[one.to].part; part != nil {
			number = part.GetNumber()
			if len(part.GetPositions()) > 0 {
				positions = part.GetPositions()
			}
		}
		path = append(path, number)
	}
	part := to.part
	if part == nil {
		part = &fitmentv1.Part{
			Maker: way[len(way)-1].GetMaker(), Number: path[len(path)-1],
			Kind: root.Part.GetKind(), Positions: positions,
		}
	}
	return Match{
		Part: part, Application: to.answer, Uses: root.Uses, Via: fitmentv1.PartMatch_SUPERSESSION,
		Replaces: path[len(path)-2], Path: path, Reason: w.why(to, way, root, path),
	}
}

// why says why a number is right, or may be.
func (w *walk) why(to *node, way []*step, root *Match, path []string) string {
	said := "it replaces " + path[0]
	if between := path[1 : len(path)-1]; len(between) > 0 {
		said += " by way of " + prose.Some(between, maxNamed)
	}
	open := ""
	for _, one := range way {
		if one.holds != evidence.Yes && open == "" {
			open = awaited(one.Supersession, w.vehicle)
		}
	}
	switch {
	case to.answer == evidence.Yes && open == "":
		return said + ", for which the catalogue lists the vehicle"
	case to.answer == evidence.Yes:
		return said + ", or another part for which the catalogue lists the vehicle, whatever is not known of the vehicle"
	case open != "" && w.open != "":
		return said + ", but " + w.open
	case open != "":
		return said + " on a condition that cannot be checked for this vehicle: " + open + " is not known"
	default:
		return said + ", but " + cmp.Or(root.doubt, w.cut, "the position that the part is made for is not known")
	}
}

// maxNamed is how many numbers a list in words has at most.
const maxNamed = 3
