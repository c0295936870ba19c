package basket

import "slices"

// choose picks, of the sellers whose freight is contributed in full, a small set
// that offers every part for at most its bid: first those that a part depends on,
// then for each part that is left its cheapest. Had each part one such seller only
// that it contributes to, the set would cost what the bids sum to.
func (s *search) choose() {
	s.open = s.open[:0]
	for j := range s.m.parts {
		if i, only := s.sole(j); only {
			s.add(i)
		}
	}
	for j := range s.m.parts {
		if !slices.ContainsFunc(s.open, func(i int) bool { return s.m.price(i, j) <= s.bids[j] }) {
			for _, o := range s.m.offers[j][:s.reach[j]] {
				if s.tight(o.seller) {
					s.add(o.seller)
					break
				}
			}
		}
	}
}

func (s *search) add(i int) {
	if !slices.Contains(s.open, i) {
		s.open = append(s.open, i)
	}
}

// sole is a part's first tight seller within its bid, and whether it is the only
// one.
func (s *search) sole(j int) (seller int, only bool) {
	seller = -1
	for _, o := range s.m.offers[j][:s.reach[j]] {
		switch {
		case !s.tight(o.seller):
		case seller >= 0:
			return seller, false
		default:
			seller = o.seller
		}
	}
	return seller, seller >= 0
}

// take notes what the chosen sellers cost where it is the least so far, leaving out
// those that cost more than they save.
func (s *search) take() {
	total := s.m.assign(s.open, s.trial)
	sellers := slices.Clone(s.open)
	for dropped := true; dropped; {
		dropped = false
		for n := 0; n < len(sellers); n++ {
			fewer := slices.Delete(slices.Clone(sellers), n, n+1)
			if less := s.m.assign(fewer, s.trial); less < total || less == total && less < none {
				total, sellers, dropped = less, fewer, true
				n--
			}
		}
	}
	if total < s.best {
		s.best = s.m.assign(sellers, s.to)
	}
}

// polish takes one more seller into the best, of those that something cheaper can
// have, and leaves out what that makes needless, while it gets cheaper.
func (s *search) polish() {
	sellers := used(s.to)
	for better := true; better; {
		better = false
		for i := range s.m.freight {
			if s.standings[i] == closed || s.sum+s.slack[i] >= s.best || slices.Contains(sellers, i) {
				continue
			}
			before := s.best
			s.open = append(append(s.open[:0], sellers...), i)
			if s.take(); s.best < before {
				sellers, better = used(s.to), true
			}
		}
	}
	s.choose()
}

// used are the sellers that parts are bought from.
func used(to []int) []int {
	sellers := slices.Clone(to)
	slices.Sort(sellers)
	return slices.Compact(sellers)
}

// improve looks for a way to buy that costs what the bids sum to. Where a part
// contributes to several chosen sellers, its bid is lowered, so that others can be
// raised: two of them for one, at best (Erlenkotter's dual adjustment). It goes on
// while a round closes a good part of the gap: bids can also creep up by a minor unit
// a round, and then branching is faster.
func (s *search) improve() {
	const good = 4 // one in so many
	s.choose()
	s.take()
	for gained := s.best - s.sum; gained > 0 && gained*good >= s.best-s.sum; {
		before := s.sum
		for j := range s.m.parts {
			if s.sum >= s.best {
				return
			}
			if s.contested(j) > 1 && s.adjust(j) {
				s.choose()
				s.take()
			}
		}
		gained = s.sum - before
	}
}

// contested counts the chosen sellers that a part contributes to.
func (s *search) contested(j int) int {
	count := 0
	for _, i := range s.open {
		if s.contributes(j, i) {
			count++
		}
	}
	return count
}

// adjust lowers a part's bid and raises first those that depend on a seller which
// that gives slack to, then the part with them, then all. The sum of the bids does
// not fall. It is false where no bid can be raised for it.
func (s *search) adjust(j int) bool {
	depend := s.depend[:0]
	for k := range s.m.parts {
		if i, only := s.sole(k); only && k != j && s.contributes(j, i) {
			depend = append(depend, k)
		}
	}
	if len(depend) == 0 {
		return false
	}
	s.lower(j)
	s.ascend(depend)
	depend = append(depend, j)
	s.ascend(depend)
	s.depend = depend
	s.ascend(s.all)
	return true
}

// branch picks the seller to settle next: of the chosen ones that share a part's
// contribution, the one that the parts contribute most to; -1 where there is none.
func (s *search) branch() int {
	seller, most := -1, int64(0)
	for _, i := range s.open {
		if s.standings[i] != free {
			continue
		}
		var disputed int64
		for j := range s.m.parts {
			if s.contributes(j, i) && s.contested(j) > 1 {
				disputed += s.bids[j] - s.m.price(i, j)
			}
		}
		if disputed > most {
			seller, most = i, disputed
		}
	}
	return seller
}
