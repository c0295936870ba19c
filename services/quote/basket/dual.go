package basket

import "slices"

// standing is what a node of the search has settled about a seller.
type standing byte

const (
	free   standing = iota
	opened          // its freight is paid
	closed          // nothing is bought from it
)

// dual is a solution of the dual of the linear relaxation. Each part bids for the
// sellers: a part with bid v contributes v − price to the freight of every seller
// that offers it for less, and no seller may get more than its freight. The sum of
// the bids, with the freight of the opened sellers, is then at most the cost of any
// way to buy everything (Erlenkotter 1978).
type dual struct {
	m         *market
	standings []standing
	// bids by part.
	bids []int64
	// reach is how many of a part's offers cost at most its bid.
	reach []int
	// slack is how much of each seller's freight nobody has contributed yet.
	slack []int64
	// sum of the bids and of the freight of the opened sellers.
	sum int64
}

func newDual(m *market) *dual {
	return &dual{
		m: m, standings: make([]standing, len(m.freight)), bids: make([]int64, m.parts),
		reach: make([]int, m.parts), slack: make([]int64, len(m.freight)),
	}
}

// begin bids the cheapest price of each part. It is false where a part is offered
// by closed sellers only.
func (d *dual) begin() bool {
	d.sum = 0
	for i, freight := range d.m.freight {
		d.slack[i] = freight
		if d.standings[i] == opened {
			d.slack[i] = 0
			d.sum += freight
		}
	}
	for j, offers := range d.m.offers {
		first := slices.IndexFunc(offers, func(o listed) bool { return d.standings[o.seller] != closed })
		if first < 0 {
			return false
		}
		d.bids[j] = offers[first].price
		d.reach[j] = first
		d.extend(j)
		d.sum += d.bids[j]
	}
	return true
}

// extend moves the reach over every offer that costs at most the bid.
func (d *dual) extend(j int) {
	offers := d.m.offers[j]
	for d.reach[j] < len(offers) && offers[d.reach[j]].price <= d.bids[j] {
		d.reach[j]++
	}
}

// next is the least price above the bid, or none.
func (d *dual) next(j int) int64 {
	for _, o := range d.m.offers[j][d.reach[j]:] {
		if d.standings[o.seller] != closed {
			return o.price
		}
	}
	return none
}

// room is how far a part's bid can be raised before a seller that it contributes to
// has its freight.
func (d *dual) room(j int) int64 {
	room := int64(none)
	for _, o := range d.m.offers[j][:d.reach[j]] {
		if d.standings[o.seller] != closed {
			room = min(room, d.slack[o.seller])
		}
	}
	return room
}

// raise lifts a part's bid by an amount that there is room for.
func (d *dual) raise(j int, by int64) {
	for _, o := range d.m.offers[j][:d.reach[j]] {
		d.slack[o.seller] -= by // of closed ones, whose slack nobody reads, too
	}
	d.bids[j] += by
	d.sum += by
	d.extend(j)
}

// step lifts a part's bid to the next price, or as far as there is room; false where
// there is none.
func (d *dual) step(j int) bool {
	room := d.room(j)
	if room == 0 {
		return false
	}
	d.raise(j, min(room, d.next(j)-d.bids[j]))
	return true
}

// share lifts a part's bid by one in so many of the room that it has, however many
// prices that takes it past.
func (d *dual) share(j int, of int64) {
	room := d.room(j)
	for left := (room + of - 1) / of; left > 0 && room > 0; room = d.room(j) {
		by := min(left, room, d.next(j)-d.bids[j])
		d.raise(j, by)
		left -= by
	}
}

// ascend raises the bids of the parts in turn until none can be raised.
func (d *dual) ascend(parts []int) {
	for raised := true; raised; {
		raised = false
		for _, j := range parts {
			raised = d.step(j) || raised
		}
	}
}

// spread raises every part's bid a little at a time, so that no part takes all the
// slack of a seller that others need as well. Where all freight is alike that makes
// far better bids than raising one part as far as it goes (the idea of raising all
// at once is Jain and Vazirani's, Journal of the ACM 48(2), 2001).
func (d *dual) spread(parts []int) {
	const (
		rounds = 8
		share  = 4 // of the room: one in so many
	)
	for range rounds {
		for _, j := range parts {
			d.share(j, share)
		}
	}
}

// lower takes a part's bid back to the price below it.
func (d *dual) lower(j int) {
	offers := d.m.offers[j]
	reach := d.reach[j]
	for reach > 0 && (offers[reach-1].price >= d.bids[j] || d.standings[offers[reach-1].seller] == closed) {
		reach--
	}
	if reach == 0 {
		return
	}
	by := d.bids[j] - offers[reach-1].price
	for _, o := range offers[:reach] {
		d.slack[o.seller] += by
	}
	d.bids[j] -= by
	d.sum -= by
	d.reach[j] = reach
}

// tight tells whether a seller's freight is contributed in full.
func (d *dual) tight(i int) bool { return d.slack[i] == 0 && d.standings[i] != closed }

// contributes tells whether a part's bid is above a seller's price.
func (d *dual) contributes(j, i int) bool { return d.bids[j] > d.m.price(i, j) }
